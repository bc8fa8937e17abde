package firmware

import (
	"encoding/binary"
	"fmt"
)

// PE32+ fields, UEFI 2.10, 2.1.1, and edk2's PeImage.h.
const (
	machineX64       = 0x8664
	subsystemApp     = 10 // EFI application
	subsystemBoot    = 11 // EFI boot service driver
	optionalMagic64  = 0x20B
	optionalMagic32  = 0x10B
	programHeaderAt  = 0x3C // where the offset of the PE header stands
	sectionTableItem = 40
)

// program is what the header of an EFI program says.
type program struct {
	machine   uint16
	subsystem uint16
}

// readProgram checks that b is a whole PE image: headers in place and every
// section's bytes there.
func readProgram(b []byte) (program, error) {
	if len(b) < programHeaderAt+4 || b[0] != 'M' || b[1] != 'Z' {
		return program{}, fmt.Errorf("no MZ header")
	}
	at := uint64(binary.LittleEndian.Uint32(b[programHeaderAt:]))
	if at+24+70 > uint64(len(b)) || string(b[at:at+4]) != "PE\x00\x00" {
		return program{}, fmt.Errorf("no PE header")
	}
	header := b[at+4:]
	optional := header[20:]
	magic := binary.LittleEndian.Uint16(optional)
	if magic != optionalMagic64 && magic != optionalMagic32 {
		return program{}, fmt.Errorf("PE header of an unknown kind %#x", magic)
	}
	p := program{
		machine:   binary.LittleEndian.Uint16(header),
		subsystem: binary.LittleEndian.Uint16(optional[68:]),
	}
	count := int(binary.LittleEndian.Uint16(header[2:]))
	table := at + 24 + uint64(binary.LittleEndian.Uint16(header[16:]))
	if table+uint64(count)*sectionTableItem > uint64(len(b)) {
		return program{}, fmt.Errorf("section table lies outside the program")
	}
	for i := range count {
		item := b[table+uint64(i)*sectionTableItem:]
		size := uint64(binary.LittleEndian.Uint32(item[16:]))
		start := uint64(binary.LittleEndian.Uint32(item[20:]))
		if start+size > uint64(len(b)) {
			return program{}, fmt.Errorf("section %d lies outside the program", i)
		}
	}
	return p, nil
}

// needProgram checks that b is a 64 bit x86 program of one kind.
func needProgram(b []byte, subsystem uint16, what string) error {
	p, err := readProgram(b)
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", what, err)
	case p.machine != machineX64:
		return fmt.Errorf("%s: made for machine %#04x, not for x86-64", what, p.machine)
	case p.subsystem != subsystem:
		return fmt.Errorf("%s: subsystem %d instead of %d", what, p.subsystem, subsystem)
	}
	return nil
}
