package windows

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"lendkeep/reconcile/facts"
)

// locked is what a BitLocker volume shows: it may hold the system or only files. Of
// what protects its key its metadata tell, which are not encrypted.
func locked(r io.ReaderAt, v facts.Volume) *facts.Installed {
	a := facts.Answer{Question: facts.AsksEncryption, Says: facts.Unknown, Where: fveWhere}
	open, err := clearKey(r)
	switch {
	case err != nil:
		a.Seen = fmt.Sprintf("partition %d is encrypted by BitLocker; whether its protection is suspended is not known: %v", v.Number, err)
	case open:
		a.Says, a.Seen = facts.Present, fmt.Sprintf("partition %d is encrypted by BitLocker, and its key lies beside it in the clear: protection is suspended", v.Number)
	default:
		a.Says, a.Seen = facts.Absent, fmt.Sprintf("partition %d is encrypted by BitLocker, which protects it", v.Number)
	}
	return &facts.Installed{Kind: "windows", Partition: v.Number, Gap: fmt.Sprintf("partition %d is encrypted by BitLocker, so that nothing of it can be read", v.Number), Answers: []facts.Answer{a}}
}

const fveWhere = "its BitLocker metadata"

// fveMark begins a volume's boot sector, at byte 3, and each copy of its metadata.
const fveMark = "-FVE-FS-"

// fveGuid is what volumes of Windows 7 and later have at byte 160, and the places of the
// metadata behind it; those that are encrypted as they are written have another (libyal,
// "BitLocker Drive Encryption (BDE) format", "Volume header"; the value: cryptsetup
// lib/bitlk/bitlk.c, BITLK_GUID_NORMAL).
const fveGuid = "\x3b\xd6\x67\x49\x29\x2e\xd8\x4a\x83\x99\xf6\xa3\x39\xe3\xd0\x01"

// clearKey tells whether a volume's key can be had without any protector: a suspended
// protection leaves one with a clear key beside the others. The volume has its metadata
// three times; unless all are whole and say the same it is not known.
func clearKey(r io.ReaderAt) (open bool, err error) {
	head := make([]byte, 512)
	if _, err := r.ReadAt(head, 0); err != nil {
		return false, err
	}
	if string(head[:3]) != "\xeb\x58\x90" || string(head[3:11]) != fveMark || string(head[160:176]) != fveGuid {
		return false, errors.New("its boot sector is of a kind that lendkeep does not read")
	}
	for i := range 3 {
		at := binary.LittleEndian.Uint64(head[176+8*i:])
		block, err := fveBlock(r, at)
		if err != nil {
			return false, fmt.Errorf("copy %d of its metadata: %w", i+1, err)
		}
		says, err := protectors(block)
		switch {
		case err != nil:
			return false, fmt.Errorf("copy %d of its metadata: %w", i+1, err)
		case i > 0 && says != open:
			return false, errors.New("the copies of its metadata contradict each other")
		}
		open = says
	}
	return open, nil
}

// fveMost bounds the metadata: a block has at most 64 KiB (BDE format: three of them
// are kept in files of that size).
const fveMost = 64 << 10

// fveBlock reads one copy of the metadata and holds it against its checksum, which
// follows it (BDE format, "FVE metadata block header"; cryptsetup lib/bitlk/bitlk.h,
// bitlk_fve_metadata_validation).
func fveBlock(r io.ReaderAt, at uint64) ([]byte, error) {
	head := make([]byte, 64)
	if at == 0 || at%512 != 0 || at > 1<<62 {
		return nil, errors.New("it has no place")
	}
	if _, err := r.ReadAt(head, int64(at)); err != nil {
		return nil, err
	}
	size := int(binary.LittleEndian.Uint16(head[8:])) * 16
	if string(head[:8]) != fveMark || binary.LittleEndian.Uint16(head[10:]) != 2 || size < 64+48 || size > fveMost {
		return nil, errors.New("it is of a kind that lendkeep does not read")
	}
	block := make([]byte, size+8)
	if _, err := r.ReadAt(block, int64(at)); err != nil {
		return nil, err
	}
	if crc32.ChecksumIEEE(block[:size]) != binary.LittleEndian.Uint32(block[size+4:]) {
		return nil, errors.New("its checksum is wrong")
	}
	return block[:size], nil
}

// The kinds of entry that are asked for, and of protection (BDE format, "FVE metadata
// entry types", "FVE metadata value types", "Key protection types").
const (
	entryKey   = 0x0002 // a volume master key
	valueKey   = 0x0008
	byClearKey = 0x0000
)

// protectors tells whether a clear key is among what protects the volume master key.
func protectors(block []byte) (open bool, err error) {
	header := block[64:]
	size, begins := binary.LittleEndian.Uint32(header), binary.LittleEndian.Uint32(header[8:])
	if binary.LittleEndian.Uint32(header[4:]) != 1 || begins != 48 || size < begins || uint64(size) > uint64(len(header)) {
		return false, errors.New("its header is of a kind that lendkeep does not read")
	}
	keys := 0
	for rest := header[begins:size]; len(rest) > 0; {
		if len(rest) < 8 {
			return false, errors.New("an entry is cut off")
		}
		n := int(binary.LittleEndian.Uint16(rest))
		if n < 8 || n > len(rest) {
			return false, errors.New("an entry is cut off")
		}
		if e := rest[:n]; binary.LittleEndian.Uint16(e[2:]) == entryKey {
			if binary.LittleEndian.Uint16(e[4:]) != valueKey || n < 8+28 {
				return false, errors.New("a key is of a kind that lendkeep does not read")
			}
			keys++
			open = open || binary.LittleEndian.Uint16(e[8+26:]) == byClearKey
		}
		rest = rest[n:]
	}
	if keys == 0 {
		return false, errors.New("no key is in it")
	}
	return open, nil
}
