package firmware

import (
	"bytes"
	"encoding/binary"
	"testing"

	"lendkeep/providers/formats/guid"
)

// What this file builds follows the same published layouts that the reader
// follows: PI 1.8 volume 3, chapter 3.

// makeSection wraps content as a section.
func makeSection(kind byte, content []byte) []byte {
	b := append([]byte{0, 0, 0, kind}, content...)
	putSize24(b, len(b))
	return append(b, make([]byte, align(len(b), 4)-len(b))...)
}

// makePacked compresses sections into an LZMA section.
func makePacked(t testing.TB, sections []byte) []byte {
	header := append(formatLZMA[:], 24, 0, 1, 0) // data behind 24 bytes, to be processed
	return makeSection(sectionGUIDed, append(bytes.Clone(header), pack(t, sections)...))
}

// makeFile makes a valid file; its content starts behind 24 bytes of header.
func makeFile(name guid.GUID, kind byte, content []byte) []byte {
	b := make([]byte, fileHeader, fileHeader+len(content))
	copy(b, name[:])
	b[17], b[18], b[23] = fileUnsummed, kind, 0xF8
	b = append(b, content...)
	putFileSize(b, len(b))
	return b
}

// makeLargeFile makes a file whose size stands in 64 bits.
func makeLargeFile(name guid.GUID, kind byte, content []byte) []byte {
	b := make([]byte, fileHeaderLarge)
	copy(b, name[:])
	b[17], b[18], b[19], b[23] = fileUnsummed, kind, fileLarge, 0xF8
	b = append(b, content...)
	binary.LittleEndian.PutUint64(b[24:], uint64(len(b)))
	b[16] = -(sum8(b[:fileHeaderLarge]) - b[17] - b[23])
	return b
}

// makeVolume makes a volume with some free space behind its files.
func makeVolume(format guid.GUID, files ...[]byte) []byte {
	b := make([]byte, volumeHeaderLeast)
	for _, f := range files {
		b = append(b, bytes.Repeat([]byte{0xFF}, align(len(b), 8)-len(b))...)
		b = append(b, f...)
	}
	b = append(b, bytes.Repeat([]byte{0xFF}, align(len(b)+64, 64)-len(b))...)
	le := binary.LittleEndian
	copy(b[16:], format[:])
	le.PutUint64(b[32:], uint64(len(b)))
	copy(b[40:], volumeSignature)
	le.PutUint32(b[44:], volumeErasedOnes)
	le.PutUint16(b[48:], volumeHeaderLeast)
	b[55] = volumeRevision
	le.PutUint32(b[56:], 1)
	le.PutUint32(b[60:], uint32(len(b)))
	fixVolumeSum(b)
	return b
}

func fixVolumeSum(b []byte) {
	binary.LittleEndian.PutUint16(b[50:], 0)
	binary.LittleEndian.PutUint16(b[50:], -sum16(b[:volumeHeaderLeast]))
}

// makeProgram makes a small program of a subsystem; text tells it apart.
func makeProgram(subsystem uint16, text string) []byte {
	return pe32(subsystem, []byte{0xC3}, []byte(text), 64)
}

// makeDriver makes a driver file for a part.
func makeDriver(part Part) []byte {
	sections := append(makeSection(0x13, []byte{0x06, 0x08}), // depends on nothing
		makeSection(sectionPE32, makeProgram(subsystemBoot, part.Name))...)
	sections = append(sections, makeSection(0x15, utf16Text(part.Name))...)
	return makeFile(part.GUID, 0x07, sections)
}

var (
	coreName  = guid.Must("D6A2CB7F-6A18-4E2F-B43B-9920A733700A") // DxeCore of edk2
	innerName = guid.Must("9E21FD93-9C72-4C15-8C4B-E77F1DB2D792") // FVMAIN of OVMF
)

// makeInner makes the sections that a firmware packs: a volume with a core and
// the given parts.
func makeInner(parts ...Part) []byte {
	files := [][]byte{
		makeFile(guid.GUID(bytes.Repeat([]byte{0xFF}, 16)), fileTypePad, make([]byte, 40)),
		makeFile(coreName, fileTypeDXECore, makeSection(sectionPE32, makeProgram(subsystemBoot, "core"))),
	}
	for _, part := range parts {
		files = append(files, makeDriver(part))
	}
	volume := makeVolume(formatFFS3, files...)
	return append(makeSection(sectionRaw, make([]byte, 12)), makeSection(sectionVolume, volume)...)
}

// makeImage makes a firmware image as OVMF's are: a volume with the packed one
// inside, then a volume with the reset vector.
func makeImage(t testing.TB, inner []byte) []byte {
	main := makeVolume(formatFFS2, makeFile(innerName, fileTypeVolume, makePacked(t, inner)))
	vector := makeVolume(formatFFS2, makeFile(guid.Must("1BA0062E-C779-4582-8566-336AE8F78F09"), fileTypeRaw, make([]byte, 128)))
	return append(main, vector...)
}
