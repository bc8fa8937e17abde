package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// PCI expansion ROM with an EFI image: UEFI 2.10, 14.4.2; edk2's Pci22.h and
// Pci30.h. Offsets and sizes in bytes.
const (
	romUnit       = 512
	romLengthMost = 0xFFFF * romUnit
	romPCIRAt     = 0x1C // behind the ROM header
	romPCIRLength = 0x1C // PCI 3.0
	romProgramAt  = 0x40
	romSignature  = 0xAA55     // bytes 55 AA
	romEFI        = 0x00000EF1 // EFI_PCI_EXPANSION_ROM_HEADER_EFISIGNATURE
	romCodeEFI    = 0x03       // PCI_CODE_TYPE_EFI_IMAGE
	romLastImage  = 0x80
)

// classNVMe is the class of an NVMe controller, lowest byte first as it stands
// in a PCI header: programming interface, subclass, base class (edk2's
// NvmExpress.c).
var classNVMe = [3]byte{0x02, 0x08, 0x01}

// ROM is an option ROM that brings an NVMe driver to a controller, whatever
// firmware the guest has. It is not signed: with Secure Boot on it is ignored.
type ROM struct {
	Driver []byte // EFI boot service driver for x86-64 (PE32+), such as NVMe of a donor firmware
	Vendor uint16 // PCI ids of the controller
	Device uint16
}

// Build gives the ROM file. The same driver and ids give the same bytes.
func (rom ROM) Build() ([]byte, error) {
	if err := needProgram(rom.Driver, subsystemBoot, "driver"); err != nil {
		return nil, fmt.Errorf("build option ROM: %w", err)
	}
	size := align(romProgramAt+len(rom.Driver), romUnit)
	if size > romLengthMost {
		return nil, fmt.Errorf("build option ROM: driver of %d bytes is too large", len(rom.Driver))
	}
	b := make([]byte, size)
	copy(b[romProgramAt:], rom.Driver)
	rom.header(b)
	return b, nil
}

// header writes what stands before the driver of a whole ROM.
func (rom ROM) header(b []byte) {
	units := uint16(len(b) / romUnit)
	le := binary.LittleEndian
	le.PutUint16(b[0:], romSignature)
	le.PutUint16(b[2:], units)
	le.PutUint32(b[4:], romEFI)
	le.PutUint16(b[8:], subsystemBoot)
	le.PutUint16(b[10:], machineX64)
	le.PutUint16(b[22:], romProgramAt)
	le.PutUint16(b[24:], romPCIRAt)

	pcir := b[romPCIRAt:]
	copy(pcir, "PCIR")
	le.PutUint16(pcir[4:], rom.Vendor)
	le.PutUint16(pcir[6:], rom.Device)
	le.PutUint16(pcir[10:], romPCIRLength)
	pcir[12] = 3 // PCI 3.0
	copy(pcir[13:16], classNVMe[:])
	le.PutUint16(pcir[16:], units)
	pcir[20] = romCodeEFI
	pcir[21] = romLastImage
}

// ReadROM reads an option ROM that Build made; any other content is an error.
// The driver comes with the zeros that fill it up.
func ReadROM(content []byte) (ROM, error) {
	if len(content) < romUnit || len(content)%romUnit != 0 || len(content) > romLengthMost {
		return ROM{}, fmt.Errorf("read option ROM: %d bytes are none", len(content))
	}
	le := binary.LittleEndian
	rom := ROM{Vendor: le.Uint16(content[romPCIRAt+4:]), Device: le.Uint16(content[romPCIRAt+6:]), Driver: content[romProgramAt:]}
	header := make([]byte, romProgramAt, len(content))
	rom.header(header[:len(content)])
	if !bytes.Equal(header, content[:romProgramAt]) {
		return ROM{}, fmt.Errorf("read option ROM: its header is not one that is built here")
	}
	if err := needProgram(rom.Driver, subsystemBoot, "driver"); err != nil {
		return ROM{}, fmt.Errorf("read option ROM: %w", err)
	}
	return rom, nil
}

// romSum is the sha256 of what stands behind the header of a whole ROM.
func romSum(content []byte) string { return hashOf(content[romProgramAt:]) }
