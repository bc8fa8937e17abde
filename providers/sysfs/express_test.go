package sysfs

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// readSpace is what a survey reads of a function with that config space.
func readSpace(t *testing.T, space []byte) facts.Function {
	t.Helper()
	var f facts.Function
	fsys := fstest.MapFS{"config": &fstest.MapFile{Data: space}}
	file, err := fsys.Open("config")
	require.NoError(t, err)
	readExpress(place{gaps: &f.Gaps}, &f, space[:min(len(space), configBytes)], file)
	return f
}

// express is a config space of so many bytes with that capability at 0x40.
func express(bytesInAll int, kind, control byte, words map[int]uint32) []byte {
	config := spaceWith(bytesInAll, words)
	config[offsetStatus], config[offsetFirstCap] = statusCapabilities, 0x40
	config[0x40], config[0x40+offsetExpress], config[0x40+offsetDevControl] = capExpress, kind<<4|2, control
	return config
}

func gapsOf(f facts.Function) (list []string) {
	for _, gap := range f.Gaps {
		list = append(list, gap.Fact)
	}
	return list
}

// Device Control is at 8 of the capability, the size in its bits 5 to 7 (Linux
// include/uapi/linux/pci_regs.h: PCI_EXP_DEVCTL_PAYLOAD).
func TestPayload(t *testing.T) {
	for control, want := range map[byte]int{0x00: 128, 0x1f: 128, 0x20: 256, 0x5f: 512, 0x60: 1024, 0x80: 2048, 0xa0: 4096, 0xc0: 0, 0xff: 0} {
		f := readSpace(t, express(4096, 0, control, nil))
		assert.Empty(t, f.Gaps)
		assert.Equal(t, want, f.PayloadBytes, "%#x", control)
	}
}

// What is no PCI Express has nothing of it; what cannot be read is a gap of each fact.
func TestExpress(t *testing.T) {
	assert.Equal(t, facts.Function{}, readSpace(t, make([]byte, 4096)), "old PCI")
	all := []string{"express", "payload_bytes", "device_serial", "acs"}
	assert.Equal(t, all, gapsOf(readSpace(t, express(4096, 0, 0, nil)[:0x48])), "cut off, as for who is not root")
	assert.Equal(t, all[2:], gapsOf(readSpace(t, express(4096, 0, 0, map[int]uint32{0x100: aer | 0x100<<20}))), "a loop")
	assert.Equal(t, all[3:], gapsOf(readSpace(t, express(0x104, 0, 0, map[int]uint32{0x100: 0x0001000d}))), "a cut register")
	for kind := range byte(16) { // 4 bits
		f := readSpace(t, express(4096, kind, 0, nil))
		assert.NotEmpty(t, f.Express)
		assert.Empty(t, f.Gaps)
		_, known := expressTypes[kind]
		assert.Equal(t, !known, f.Apart() == facts.Unknown, "%d", kind)
	}
}

// The registers as lspci would print them are in TestFunctionsAgreeWithLspci.
func TestACS(t *testing.T) {
	f := readSpace(t, express(4096, 4, 0, map[int]uint32{0x100: aer | 0x148<<20, 0x148: 0x0001000d, 0x14c: 0x001d005f}))
	assert.Equal(t, &facts.ACS{Can: 0x5f, On: 0x1d}, f.ACS)
	assert.Equal(t, facts.RootPort, f.Express)
	assert.Nil(t, readSpace(t, express(4096, 4, 0, map[int]uint32{0x100: aer})).ACS)
}
