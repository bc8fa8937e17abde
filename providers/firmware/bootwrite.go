package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

const (
	variableDeleted    = 0xFD // VAR_DELETED: a bit is cleared
	variableAttributes = 0x07 // non-volatile, at boot and at run time, as UEFI 2.10, 3.3, demands for boot variables
	optionPathMost     = 0xFFFF
)

// PutFirst gives the content of a variable store file in which the entry is
// the first of the boot order, and the entry's number. An active entry for the
// same program that is there already is moved, not doubled: a system's own may
// carry options. Nothing else of the file changes. The
// guest must be off, and the file raw; a store with any damage is refused.
func PutFirst(content []byte, entry facts.NewEntry) ([]byte, uint16, error) {
	out, number, err := putFirst(content, entry)
	if err != nil {
		return nil, 0, fmt.Errorf("write boot entry: %w", err)
	}
	return out, number, nil
}

func putFirst(content []byte, entry facts.NewEntry) ([]byte, uint16, error) {
	if err := checkLoaderPath(entry.File); err != nil {
		return nil, 0, err
	}
	option, err := loadOption(entry)
	if err != nil {
		return nil, 0, err
	}
	if len(option) > optionPathMost {
		return nil, 0, fmt.Errorf("entry of %d bytes", len(option))
	}
	store, err := findStore(content)
	if err != nil {
		return nil, 0, err
	}
	list, free, err := store.walk()
	if err != nil {
		return nil, 0, err
	}
	boot := ReadBoot(live(list))
	number, found, err := entryFor(live(list), entry)
	if err != nil {
		return nil, 0, err
	}
	var added []byte
	if !found {
		added = store.variable(BootEntry{Number: number}.Name(), option)
	}
	order := binary.LittleEndian.AppendUint16(nil, number)
	for _, other := range boot.Order {
		if other != number {
			order = binary.LittleEndian.AppendUint16(order, other)
		}
	}
	added = append(added, store.variable("BootOrder", order)...)
	if free+len(added) > len(store.content) {
		return nil, 0, fmt.Errorf("%d bytes are free where %d are needed", len(store.content)-free, len(added))
	}
	out := bytes.Clone(content)
	for _, v := range list {
		if v.Vendor == globalVariables && v.Name == "BootOrder" {
			out[store.at+v.at+2] &= variableDeleted
		}
	}
	copy(out[store.at+free:], added)
	return out, number, nil
}

// entryFor finds the number of an entry for the same program, or else the
// lowest free one.
func entryFor(variables []Variable, entry facts.NewEntry) (number uint16, found bool, err error) {
	used := map[uint16]bool{}
	for _, v := range variables {
		n, ok := entryNumber(v.Name)
		if !ok || v.Vendor != globalVariables {
			continue
		}
		if there, err := readLoadOption(v.Data); err == nil && there.starts(entry) {
			return n, true, nil
		}
		used[n] = true
	}
	for n := range 0x10000 {
		if !used[uint16(n)] {
			return uint16(n), false, nil
		}
	}
	return 0, false, fmt.Errorf("no number is free")
}

// starts tells whether an entry is tried and leads to the same program.
func (e BootEntry) starts(other facts.NewEntry) bool {
	return e.Active && e.Short && *e.Partition == other.Partition && strings.EqualFold(e.File, other.File)
}

// loadOption lays out the EFI_LOAD_OPTION. The firmware finds the partition on
// whatever drive it is (UEFI 2.10, 3.1.2, short form).
func loadOption(e facts.NewEntry) ([]byte, error) {
	id, err := guid.Parse(e.Partition.ID)
	if err != nil {
		return nil, fmt.Errorf("partition %d: %w", e.Partition.Number, err)
	}
	path := hardDriveNode(e.Partition, id)
	path = append(append(path, filePathNode(e.File)...), endNode()...)
	b := binary.LittleEndian.AppendUint32(nil, loadActive)
	b = binary.LittleEndian.AppendUint16(b, uint16(len(path)))
	return append(append(b, utf16Text(e.Label)...), path...), nil
}

// variable lays out a complete variable with what fills it up to the next.
func (s store) variable(name string, data []byte) []byte {
	header, sizesAt := variableHeader(s.long)
	text := utf16Text(name)
	b := make([]byte, header)
	binary.LittleEndian.PutUint16(b, variableStart)
	b[2] = variableAdded
	binary.LittleEndian.PutUint32(b[4:], variableAttributes)
	binary.LittleEndian.PutUint32(b[sizesAt:], uint32(len(text)))
	binary.LittleEndian.PutUint32(b[sizesAt+4:], uint32(len(data)))
	copy(b[sizesAt+8:], globalVariables[:])
	b = append(append(b, text...), data...)
	return append(b, bytes.Repeat([]byte{0xFF}, align(len(b), 4)-len(b))...)
}
