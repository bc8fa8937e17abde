package parts

import (
	"encoding/binary"
	"encoding/hex"
)

// The places of what guests start in place of their systems.
const (
	standInSector  = "/var/lib/stand-in.sector"
	standInProgram = "/var/lib/stand-in.efi"
	standInImage   = "/var/lib/stand-in.img" // made of both
)

// Q35's power management is at port 0x600, as SeaBIOS and OVMF set it (src/fw/
// pciinit.c; OvmfPkg/Include/IndustryStandard/Q35MchIch9.h): enable at +2, status at
// +0 with bit 8 the power button, control at +4 with bit 13 to sleep (ACPI 6.4, 4.8.3).

// sector sleeps until the power button is pressed and switches off; 16-bit code.
const sector = "baf803b052ee" + // R to the serial line
	"ba0206b80001ef" + // enable the power button's event
	"fbf4ba0006edf6c40174f6" + // sleep, and look whether it was pressed
	"ba0406b80020efebfe" // switch off

// program does the same; 64-bit code, of which nothing depends on where it lies. The
// firmware's own timer ends each sleep.
const program = "66baf803b052ee" +
	"66ba020666b8000166ef" +
	"f466ba000666edf6c40174f4" +
	"66ba040666b8002066efebfe"

// StandIns gives the content of the files out of which Script makes stand-ins, by
// path.
func StandIns() map[string][]byte {
	return map[string][]byte{standInSector: code(sector), standInProgram: application(code(program))}
}

func code(text string) []byte {
	bytes, err := hex.DecodeString(text)
	if err != nil {
		panic(err) // a constant, tested
	}
	return bytes
}

// Where the parts of the application are (PE Format, "File headers").
const (
	signatureAt = 0x40
	headerBytes = 0x200
	pageBytes   = 0x1000
)

// application makes an EFI application of code (PE Format, "Optional Header"; UEFI
// 2.10, 2.1.1): one section, subsystem 10, machine 0x8664.
func application(code []byte) []byte {
	image := make([]byte, headerBytes+0x200)
	copy(image, "MZ")
	put16 := func(at int, value uint16) { binary.LittleEndian.PutUint16(image[at:], value) }
	put32 := func(at int, value uint32) { binary.LittleEndian.PutUint32(image[at:], value) }
	put32(0x3c, signatureAt)
	copy(image[signatureAt:], "PE\x00\x00")
	coff := signatureAt + 4
	put16(coff, 0x8664)
	put16(coff+2, 1)       // sections
	put16(coff+16, 240)    // bytes of the optional header: 112, and 16 directories of 8
	put16(coff+18, 0x022e) // executable, no line numbers or symbols, large addresses, no debug information
	optional := coff + 20
	put16(optional, 0x20b)
	put32(optional+4, 0x200)      // bytes of code
	put32(optional+16, pageBytes) // where it begins
	put32(optional+20, pageBytes)
	put32(optional+32, pageBytes) // alignment in memory, and in the file
	put32(optional+36, 0x200)
	put32(optional+56, 2*pageBytes) // bytes in memory
	put32(optional+60, headerBytes)
	put16(optional+68, 10)
	put32(optional+108, 16) // directories, all empty: nothing is to be relocated
	section := optional + 240
	copy(image[section:], ".text")
	put32(section+8, uint32(len(code)))
	put32(section+12, pageBytes)
	put32(section+16, 0x200)
	put32(section+20, headerBytes)
	put32(section+36, 0x60000020) // code, executed and read
	copy(image[headerBytes:], code)
	return image
}
