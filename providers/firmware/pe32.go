package firmware

import "encoding/binary"

// pe32 wraps code and data into an EFI program for x86-64 that needs no
// relocation: code at 0x1000, data at 0x2000 with dataSize bytes of memory.
// Header fields: UEFI 2.10, 2.1.1, and edk2's PeImage.h.
func pe32(subsystem uint16, code, data []byte, dataSize int) []byte {
	const (
		fileAlign  = 0x200
		pageAlign  = 0x1000
		headerSize = 0x200
		peAt       = 0x40
		optional   = 112 + 16*8 // with sixteen empty data directories
	)
	textRaw, dataRaw := align(len(code), fileAlign), align(len(data), fileAlign)
	b := make([]byte, headerSize+textRaw+dataRaw)
	le := binary.LittleEndian
	copy(b, "MZ")
	le.PutUint32(b[programHeaderAt:], peAt)

	coff := b[peAt:]
	copy(coff, "PE\x00\x00")
	le.PutUint16(coff[4:], machineX64)
	le.PutUint16(coff[6:], 2) // sections
	le.PutUint16(coff[20:], optional)
	le.PutUint16(coff[22:], 0x0022) // executable, may lie above 2 GiB

	o := coff[24:]
	le.PutUint16(o[0:], optionalMagic64)
	le.PutUint32(o[4:], uint32(textRaw))
	le.PutUint32(o[8:], uint32(dataRaw))
	le.PutUint32(o[16:], starterCodeAt) // entry point
	le.PutUint32(o[20:], starterCodeAt)
	le.PutUint32(o[32:], pageAlign)
	le.PutUint32(o[36:], fileAlign)
	le.PutUint32(o[56:], uint32(starterDataAt+align(dataSize, pageAlign))) // in memory
	le.PutUint32(o[60:], headerSize)
	le.PutUint16(o[68:], subsystem)
	le.PutUint16(o[70:], 0x0100) // data needs no execution
	le.PutUint32(o[108:], 16)

	table := o[optional:]
	peSection(table, ".text", len(code), starterCodeAt, textRaw, headerSize, 0x60000020)
	peSection(table[sectionTableItem:], ".data", dataSize, starterDataAt, dataRaw, headerSize+textRaw, 0xC0000040)
	copy(b[headerSize:], code)
	copy(b[headerSize+textRaw:], data)
	return b
}

// peSection writes one entry of the section table.
func peSection(b []byte, name string, size, at, raw, rawAt int, flags uint32) {
	copy(b[:8], name)
	for i, value := range []int{size, at, raw, rawAt} {
		binary.LittleEndian.PutUint32(b[8+4*i:], uint32(value))
	}
	binary.LittleEndian.PutUint32(b[36:], flags)
}
