// Package driverless makes firmware for tests that cannot read NVMe, out of
// Debian's, which can. Start at Image.
package driverless

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/ulikunitz/xz/lzma"
)

// As bytes in a volume: the NVMe driver's file (edk2's NvmExpressDxe), and the
// sections that are packed with LZMA (EE4E5898-3914-4259-9D6E-DC7BD79403CF).
var (
	driver = []byte{0xF4, 0xBD, 0xE3, 0x5B, 0xCF, 0x53, 0xA3, 0x46, 0xA6, 0xA9, 0x73, 0xC3, 0x4A, 0x6E, 0x5E, 0xE3}
	packed = []byte{0x98, 0x58, 0x4E, 0xEE, 0x14, 0x39, 0x59, 0x42, 0x9D, 0x6E, 0xDC, 0x7B, 0xD7, 0x94, 0x03, 0xCF}
)

// Offsets and sizes of PI 1.8, volume 3: 3.2.1.1 (volume), 3.2.3.1 (file),
// 3.2.5.7 (section that says by a GUID how it is packed).
const (
	volumeLengthAt = 32
	fileHeader     = 24
	fileSizeAt     = 20
	fileSumAt      = 16
	stateAt        = 23
	stateValid     = 0xF8 // erase polarity one
	stateDeleted   = 0xE8
	sectionGUIDed  = 0x02
	sectionGUIDAt  = 4
	sectionDataAt  = 20
)

// Image gives an OVMF image of 4 MiB in which the NVMe driver is marked as
// deleted, as a flash driver would do it: by one byte of its file. The rest is
// packed again, which takes more room here than Debian's packing; an image of
// 2 MiB has not enough.
func Image(ovmf []byte) ([]byte, error) {
	section := findPacked(ovmf)
	if section < 0 {
		return nil, errors.New("make driverless firmware: no packed part")
	}
	file := section - fileHeader
	stream := section + int(binary.LittleEndian.Uint16(ovmf[section+sectionDataAt:]))
	inner, err := unpack(ovmf[stream:])
	if err != nil {
		return nil, fmt.Errorf("make driverless firmware: %w", err)
	}
	at := bytes.Index(inner, driver)
	if at < 0 || inner[at+stateAt] != stateValid {
		return nil, errors.New("make driverless firmware: it holds no valid NVMe driver")
	}
	inner[at+stateAt] = stateDeleted
	again, err := pack(inner)
	if err != nil {
		return nil, fmt.Errorf("make driverless firmware: %w", err)
	}
	end, volume := stream+len(again), int(binary.LittleEndian.Uint64(ovmf[volumeLengthAt:]))
	if end > volume || volume > len(ovmf) {
		return nil, fmt.Errorf("make driverless firmware: it ends at %d of a volume of %d bytes", end, volume)
	}
	out := bytes.Clone(ovmf)
	copy(out[stream:], again)
	copy(out[end:volume], bytes.Repeat([]byte{0xFF}, volume-end))
	putSize(out[section:], end-section)
	putSize(out[file+fileSizeAt:], end-file)
	header := out[file : file+fileHeader]
	header[fileSumAt] = 0
	var sum byte // of the header without the state and the sum of the content
	for i, b := range header {
		if i != fileSumAt+1 && i != stateAt {
			sum += b
		}
	}
	header[fileSumAt] = -sum
	return out, nil
}

// findPacked finds the packed section that is first in its file; -1 for none.
// Its GUID alone also stands in code.
func findPacked(ovmf []byte) int {
	for at := 0; ; at++ {
		next := bytes.Index(ovmf[at:], packed)
		if next < 0 {
			return -1
		}
		at += next
		section := at - sectionGUIDAt
		if section >= fileHeader && ovmf[section+3] == sectionGUIDed && at+len(packed)+2 <= len(ovmf) {
			return section
		}
	}
}

// putSize writes a size of 24 bits.
func putSize(b []byte, size int) { b[0], b[1], b[2] = byte(size), byte(size>>8), byte(size>>16) }

func unpack(stream []byte) ([]byte, error) {
	r, err := lzma.NewReader(bytes.NewReader(stream))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}

// pack compresses as firmware builders do: a classic header that says the size.
func pack(content []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := lzma.WriterConfig{DictCap: 8 << 20, Size: int64(len(content)), SizeInHeader: true}.NewWriter(&out)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(content); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}
