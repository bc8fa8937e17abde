package firmware

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Offsets and values of UEFI 2.10, tables 14.10 and 14.11, and PCI Firmware
// Specification 3.0, 5.1.2, written out again here.
func TestROMLayout(t *testing.T) {
	driver := makeProgram(subsystemBoot, "driver")
	b, err := ROM{Driver: driver, Vendor: 0x1B36, Device: 0x0010}.Build()
	require.NoError(t, err)
	le := binary.LittleEndian
	assert.Equal(t, []byte{0x55, 0xAA}, b[:2])
	assert.Zero(t, len(b)%512)
	assert.EqualValues(t, len(b)/512, le.Uint16(b[2:]))
	assert.EqualValues(t, 0x0EF1, le.Uint32(b[4:]))
	assert.EqualValues(t, 0x0B, le.Uint16(b[8:]), "subsystem")
	assert.EqualValues(t, 0x8664, le.Uint16(b[10:]), "machine")
	assert.EqualValues(t, 0, le.Uint16(b[12:]), "not compressed")
	at := le.Uint16(b[22:])
	assert.Equal(t, driver, b[at:int(at)+len(driver)])
	pcir := b[le.Uint16(b[24:]):]
	assert.Zero(t, le.Uint16(b[24:])%4, "the structure is aligned to four bytes")
	assert.Equal(t, "PCIR", string(pcir[:4]))
	assert.EqualValues(t, 0x1B36, le.Uint16(pcir[4:]))
	assert.EqualValues(t, 0x0010, le.Uint16(pcir[6:]))
	assert.EqualValues(t, 0x1C, le.Uint16(pcir[10:]))
	assert.Equal(t, []byte{0x02, 0x08, 0x01}, pcir[13:16], "class 01 08 02, lowest byte first")
	assert.EqualValues(t, len(b)/512, le.Uint16(pcir[16:]))
	assert.EqualValues(t, 3, pcir[20], "code type EFI")
	assert.EqualValues(t, 0x80, pcir[21], "last image")
	assert.LessOrEqual(t, int(le.Uint16(b[24:]))+0x1C, int(at))
}

func TestROMFromDebianFirmware(t *testing.T) {
	driver, err := Read(outsideFile(t, ovmfCode, "ovmf")).Extract(NVMe.GUID)
	require.NoError(t, err)
	rom := ROM{Driver: driver, Vendor: 0x1B36, Device: 0x0010}
	first, err := rom.Build()
	require.NoError(t, err)
	again, err := rom.Build()
	require.NoError(t, err)
	assert.Equal(t, first, again)
	if sha(driver) == knownDriver {
		assert.Len(t, first, 24576) // measured once with a ROM that booted
	}
}

func TestROMRefuses(t *testing.T) {
	arm := makeProgram(subsystemBoot, "driver")
	binary.LittleEndian.PutUint16(arm[0x44:], 0xAA64)
	for text, driver := range map[string][]byte{
		"no MZ header":       nil,
		"subsystem 10":       makeProgram(subsystemApp, "application"),
		"machine 0xaa64":     arm,
		"no PE header":       []byte("MZ" + string(make([]byte, 100))),
		"outside the progra": makeProgram(subsystemBoot, "driver")[:0x300],
		"is too large":       append(makeProgram(subsystemBoot, "driver"), make([]byte, romLengthMost)...),
	} {
		_, err := ROM{Driver: driver}.Build()
		assert.ErrorContains(t, err, text)
		assert.ErrorContains(t, err, "build option ROM: ")
	}
}
