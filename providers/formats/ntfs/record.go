package ntfs

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"unicode/utf16"
)

// Kinds of attributes.
const (
	listKind        = 0x20 // $ATTRIBUTE_LIST: others are in other records
	VolumeNameKind  = 0x60
	VolumeMarksKind = 0x70
	contentKind     = 0x80
	indexRootKind   = 0x90
	indexBlocksKind = 0xa0
	reparseKind     = 0xc0 // a link, or content that a filter keeps elsewhere
)

// Bounds for what a file's list of attributes may name.
const (
	listMost    = 256 << 10 // bytes, as the kernel has it (AL_ALIGNED_SIZE of 256 KiB)
	recordsMost = 512       // common practice: one of them holds some hundred runs of a scattered file
)

const numberMask = 1<<48 - 1 // of a reference; above it is how often the record was used

// attribute is one of a file: its value, or where its clusters are.
type attribute struct {
	kind  uint32
	name  string
	value []byte
	runs  []run
	from  uint64 // which cluster of the content the runs begin with
	size  uint64 // bytes of content
	used  uint64 // bytes that were ever written; behind them it reads as zeroes
	flags uint16 // compressed (its low byte), encrypted, sparse
}

// Of attribute.flags.
const (
	flagEncrypted = 0x4000
	flagSparse    = 0x8000
	flagsUnread   = 0x00ff | flagEncrypted
)

// head is what a record says of itself.
type head struct {
	used   uint64 // how often it was used
	base   uint64 // reference of the record that it belongs to; 0: it is the file's first
	folder bool
}

// find gives the one attribute of a kind and name; nil when there is none.
func find(list []attribute, kind uint32, name string) (*attribute, error) {
	var found *attribute
	for i := range list {
		if a := &list[i]; a.kind == kind && a.name == name {
			if found != nil {
				return nil, fmt.Errorf("%w: there are two of one attribute", errTable)
			}
			found = a
		}
	}
	return found, nil
}

// attributes reads one record of the file table.
func (v *Volume) attributes(number uint64) ([]attribute, head, error) {
	b := make([]byte, v.record)
	if err := v.fromRuns(v.table, b, number*v.record); err != nil {
		return nil, head{}, err
	}
	if string(b[:4]) != "FILE" || !exchange(b) || binary.LittleEndian.Uint16(b[22:])&1 == 0 {
		return nil, head{}, fmt.Errorf("record %d of its file table is not one", number)
	}
	h := head{used: uint64(binary.LittleEndian.Uint16(b[16:])), base: binary.LittleEndian.Uint64(b[32:]), folder: b[22]&2 != 0}
	var list []attribute
	for at := uint64(binary.LittleEndian.Uint16(b[20:])); at+24 <= v.record; {
		kind, length := binary.LittleEndian.Uint32(b[at:]), uint64(binary.LittleEndian.Uint32(b[at+4:]))
		if kind == 0xffffffff {
			return list, h, nil
		}
		if length < 24 || length > v.record-at {
			break
		}
		a, ok := readAttribute(b[at : at+length])
		if !ok {
			break
		}
		list = append(list, a)
		at += length
	}
	return nil, head{}, fmt.Errorf("record %d of its file table contradicts itself", number)
}

// exchange puts the last two bytes of each 512 back, which were exchanged for a
// number when the block was written; where they differ it was written in part.
func exchange(b []byte) bool {
	at, count := int(binary.LittleEndian.Uint16(b[4:])), int(binary.LittleEndian.Uint16(b[6:]))
	if count < 1 || count-1 > len(b)/512 || at+2*count > len(b) || at < 8 {
		return false
	}
	for i := 1; i < count; i++ {
		end := b[512*i-2 : 512*i]
		if !bytes.Equal(end, b[at:at+2]) {
			return false
		}
		copy(end, b[at+2*i:at+2*i+2])
	}
	return (count-1)*512 == len(b)
}

func readAttribute(b []byte) (attribute, bool) {
	a := attribute{kind: binary.LittleEndian.Uint32(b), flags: binary.LittleEndian.Uint16(b[12:])}
	if units, at := int(b[9]), int(binary.LittleEndian.Uint16(b[10:])); units > 0 {
		if at+2*units > len(b) {
			return a, false
		}
		a.name = wide(b[at : at+2*units])
	}
	if b[8] == 0 { // resident
		size, at := uint64(binary.LittleEndian.Uint32(b[16:])), uint64(binary.LittleEndian.Uint16(b[20:]))
		if at+size > uint64(len(b)) {
			return a, false
		}
		a.value, a.size, a.used = b[at:at+size], size, size
		return a, true
	}
	if len(b) < 64 {
		return a, false
	}
	at := int(binary.LittleEndian.Uint16(b[32:]))
	if at < 64 || at > len(b) {
		return a, false
	}
	a.from = binary.LittleEndian.Uint64(b[16:])
	a.size, a.used = binary.LittleEndian.Uint64(b[48:]), binary.LittleEndian.Uint64(b[56:])
	var ok bool
	a.runs, ok = readRuns(b[at:])
	return a, ok
}

// gathering gives what adds to the attributes of a file's first record those of
// the other records that its list names (ATTR_LIST_ENTRY).
func (v *Volume) gathering(number uint64) func([]attribute) ([]attribute, error) {
	return func(list []attribute) ([]attribute, error) {
		names, err := find(list, listKind, "")
		if err != nil || names == nil {
			return joined(list)
		}
		list = slices.DeleteFunc(slices.Clone(list), func(a attribute) bool { return a.kind == listKind })
		if names.size > listMost {
			return nil, fmt.Errorf("%w: %d bytes of attributes are listed", errTable, names.size)
		}
		b := make([]byte, names.size)
		if err := v.content(names, b, 0); err != nil {
			return nil, err
		}
		count, seen := 0, map[uint64]bool{number: true}
		for ; len(b) >= 26; count++ {
			length, reference := int(binary.LittleEndian.Uint16(b[4:])), binary.LittleEndian.Uint64(b[16:])
			if length < 26 || length > len(b) || len(seen) > recordsMost {
				return nil, fmt.Errorf("%w: the list of its attributes", errTable)
			}
			if b = b[length:]; seen[reference&numberMask] {
				continue
			}
			seen[reference&numberMask] = true
			more, h, err := v.attributes(reference & numberMask)
			if err != nil {
				return nil, err
			}
			if h.base&numberMask != number || h.used != reference>>48 {
				return nil, fmt.Errorf("%w: record %d belongs to another file", errTable, reference&numberMask)
			}
			list = append(list, more...)
		}
		if count != len(list) || len(b) > 0 {
			return nil, fmt.Errorf("%w: %d attributes are listed, %d are there", errTable, count, len(list))
		}
		return joined(list)
	}
}

// joined puts the parts of attributes together whose runs stand in several
// records.
func joined(list []attribute) ([]attribute, error) {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b attribute) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.name, b.name), cmp.Compare(a.from, b.from))
	})
	var whole []attribute
	for _, a := range list {
		if a.from == 0 {
			whole = append(whole, a)
			continue
		}
		last := len(whole) - 1
		if last < 0 || whole[last].kind != a.kind || whole[last].name != a.name || clusters(whole[last].runs) != a.from || len(whole[last].runs)+len(a.runs) > runsMost {
			return nil, fmt.Errorf("%w: a part of it is missing", errTable)
		}
		whole[last].runs = slices.Concat(whole[last].runs, a.runs)
	}
	return whole, nil
}

// wide gives a name of UTF-16 units.
func wide(b []byte) string {
	units := make([]uint16, len(b)/2)
	for i := range units {
		units[i] = binary.LittleEndian.Uint16(b[2*i:])
	}
	return string(utf16.Decode(units))
}
