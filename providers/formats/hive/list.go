package hive

import (
	"encoding/binary"
	"fmt"
)

// listing is how a list of subkeys names one of them.
type listing struct {
	at   uint32
	kind string // of the list: "li", "lf", "lh"
	hint uint32 // "lf": the first four letters; "lh": the hash
}

// listed gives all subkeys as their list has them; an index of lists ("ri") leads
// to lists only, so that nothing goes in a circle ("Subkeys list").
func (k *Key) listed() ([]listing, error) {
	if k.keys == 0 {
		return nil, nil
	}
	if k.keys > keysMost {
		return nil, fmt.Errorf("key %.40q has %d subkeys", k.Name, k.keys)
	}
	b, count, err := k.hive.list(k.list)
	if err != nil {
		return nil, err
	}
	var all []listing
	if string(b[:2]) != "ri" {
		all, err = leaf(all, b, count)
	} else if len(b) < 4+4*count {
		err = fmt.Errorf("%w: a list of subkeys is too short", errBroken)
	} else {
		for i := 0; i < count && err == nil && len(all) <= int(k.keys); i++ {
			var inner []byte
			var n int
			if inner, n, err = k.hive.list(binary.LittleEndian.Uint32(b[4+4*i:])); err == nil {
				all, err = leaf(all, inner, n)
			}
		}
	}
	if err == nil && len(all) != int(k.keys) {
		err = fmt.Errorf("%w: key %.40q has %d subkeys, its list %d", errBroken, k.Name, k.keys, len(all))
	}
	return all, err
}

// list gives a list's cell and how many it says it has.
func (h *Hive) list(at uint32) ([]byte, int, error) {
	b, err := h.cell(at, 4)
	if err != nil {
		return nil, 0, err
	}
	n := int(binary.LittleEndian.Uint16(b[2:]))
	return b, n, h.count(1 + n)
}

// leaf adds what a list has that names keys.
func leaf(all []listing, b []byte, count int) ([]listing, error) {
	kind, size := string(b[:2]), 8
	switch kind {
	case "li":
		size = 4
	case "lf", "lh":
	default:
		return nil, fmt.Errorf("%w: %q is no list of subkeys", errBroken, kind)
	}
	if len(b) < 4+size*count {
		return nil, fmt.Errorf("%w: a list of subkeys is too short", errBroken)
	}
	for i := range count {
		l := listing{at: binary.LittleEndian.Uint32(b[4+size*i:]), kind: kind}
		if size == 8 {
			l.hint = binary.LittleEndian.Uint32(b[4+size*i+4:])
		}
		all = append(all, l)
	}
	return all, nil
}

// hints tells whether a list leads to a key of that name.
func (l listing) hints(name string) bool {
	switch l.kind {
	case "lh":
		return l.hint == hash(name)
	case "lf":
		var b [4]byte
		binary.LittleEndian.PutUint32(b[:], l.hint)
		var want [4]byte
		copy(want[:], large(name))
		return large(string(b[:])) == string(want[:])
	}
	return true
}

// hash is that of a name of ASCII letters ("Hash leaf").
func hash(name string) (sum uint32) {
	for _, c := range []byte(large(name)) {
		sum = sum*37 + uint32(c)
	}
	return sum
}
