package sysfs

import (
	"bytes"
	"encoding/binary"
	"io"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// spaceWith is a config space of so many bytes with these values of four bytes in it.
func spaceWith(bytesInAll int, words map[int]uint32) []byte {
	config := make([]byte, bytesInAll)
	for at, word := range words {
		binary.LittleEndian.PutUint32(config[at:], word)
	}
	return config
}

const (
	aer     = 0x00010001 // heads of the capability Advanced Error Reporting
	serials = 0x00010003 // and of Device Serial Number
)

// extendedCases are what lspci would print of a space, and what the walk says that it
// does not know. Sources: PCI Express Base Specification 4.0, 7.6.2 and 7.6.3; pciutils
// ls-ecaps.c, which calls "chain looped" what is a loop here.
var extendedCases = map[string]struct {
	space  []byte
	serial string
	err    string
}{
	"first of all":         {spaceWith(4096, map[int]uint32{0x100: serials, 0x104: 0xff345678, 0x108: 0x525400ff}), "52-54-00-ff-ff-34-56-78", ""},
	"behind another":       {spaceWith(4096, map[int]uint32{0x100: aer | 0x148<<20, 0x148: serials, 0x14c: 1}), "00-00-00-00-00-00-00-01", ""},
	"in front of another":  {spaceWith(4096, map[int]uint32{0x100: serials | 0x148<<20, 0x104: 1, 0x148: aer}), "00-00-00-00-00-00-00-01", ""},
	"the first of two":     {spaceWith(4096, map[int]uint32{0x100: serials | 0x148<<20, 0x104: 1, 0x148: serials, 0x14c: 2}), "00-00-00-00-00-00-00-01", ""},
	"at the end":           {spaceWith(4096, map[int]uint32{0x100: aer | 0xff4<<20, 0xff4: serials, 0xffc: 1}), "00-00-00-01-00-00-00-00", ""},
	"low bits of next":     {spaceWith(4096, map[int]uint32{0x100: aer | 0x14b<<20, 0x148: serials, 0x14c: 1}), "00-00-00-00-00-00-00-01", ""},
	"none":                 {spaceWith(4096, map[int]uint32{0x100: aer}), "", ""},
	"none behind another":  {spaceWith(4096, map[int]uint32{0x100: aer | 0x148<<20}), "", ""},
	"nothing in it":        {spaceWith(4096, nil), "", ""},
	"no such space":        {spaceWith(256, nil), "", ""},
	"zero is no number":    {spaceWith(4096, map[int]uint32{0x100: serials}), "", ""},
	"ones are no number":   {spaceWith(4096, map[int]uint32{0x100: serials, 0x104: 0xffffffff, 0x108: 0xffffffff}), "", ""},
	"no answer":            {bytes.Repeat([]byte{0xff}, 4096), "", "0x100 reads as all ones"},
	"no answer later":      {spaceWith(4096, map[int]uint32{0x100: aer | 0x148<<20, 0x148: 0xffffffff}), "", "0x148 reads as all ones"},
	"a loop":               {spaceWith(4096, map[int]uint32{0x100: aer | 0x100<<20}), "", "is a loop"},
	"back to where it was": {spaceWith(4096, map[int]uint32{0x100: aer | 0x148<<20, 0x148: aer | 0x100<<20}), "", "is a loop"},
	"a loop behind it":     {spaceWith(4096, map[int]uint32{0x100: serials | 0x148<<20, 0x104: 1, 0x148: aer | 0x148<<20}), "", "is a loop"},
	"into the old space":   {spaceWith(4096, map[int]uint32{0x100: aer | 0x40<<20}), "", "at 0x040, outside its place"},
	"beyond what is there": {spaceWith(0x140, map[int]uint32{0x100: aer | 0x148<<20}), "", "at 0x148: EOF"},
	"cut in its head":      {spaceWith(0x14a, map[int]uint32{0x100: aer | 0x148<<20}), "", "at 0x148: unexpected EOF"},
	"cut in its number":    {spaceWith(0x108, map[int]uint32{0x100: serials}), "", "the device serial number at 0x100"},
}

// readSerial is what readExtended does with a PCI Express function.
func readSerial(space []byte) (string, error) {
	list, err := walkExtended(bytes.NewReader(space))
	if err != nil {
		return "", err
	}
	return deviceSerial(list, bytes.NewReader(space))
}

func TestExtendedCapabilities(t *testing.T) {
	for name, c := range extendedCases {
		t.Run(name, func(t *testing.T) {
			serial, err := readSerial(c.space)
			assert.Equal(t, c.serial, serial)
			if c.err == "" {
				require.NoError(t, err)
			} else {
				assert.ErrorContains(t, err, c.err)
			}
		})
	}
}

// counted counts reads.
type counted struct {
	io.ReaderAt
	reads int
}

func (c *counted) ReadAt(p []byte, at int64) (int, error) {
	c.reads++
	return c.ReaderAt.ReadAt(p, at)
}

// Whatever a device has there, the walk ends, and it stays in its space.
func FuzzExtendedCapabilities(f *testing.F) {
	for _, c := range extendedCases {
		f.Add(c.space)
	}
	f.Fuzz(func(t *testing.T, space []byte) {
		space = space[:min(len(space), extendedEnd)]
		read := &counted{ReaderAt: bytes.NewReader(space)}
		list, err := walkExtended(read)
		assert.LessOrEqual(t, read.reads, 480)
		for _, one := range list {
			require.True(t, one.at >= extendedFirst && one.at%4 == 0 && int(one.at)+4 <= len(space), "%x", one.at)
		}
		if err == nil {
			_, _ = deviceSerial(list, read)
		}
	})
}

func TestAnswersAreBelieved(t *testing.T) {
	ones := bytes.Repeat([]byte{0xff}, configBytes)
	virtual := append(bytes.Repeat([]byte{0xff}, 4), make([]byte, 252)...) // vendor and device number
	for name, c := range map[string]struct {
		config []byte
		silent bool
	}{"a device that is not there": {ones, true}, "a virtual function": {virtual, false}} {
		var f facts.Function
		fsys := fstest.MapFS{"at/config": &fstest.MapFile{Data: c.config}}
		readConfig(place{&reader{fsys: fsys}, "at", &f.Gaps}, &f)
		assert.Equal(t, c.silent, f.Gap("header_type") != nil, name)
		assert.Equal(t, c.silent, f.Gap("device_serial") != nil, name)
	}
}
