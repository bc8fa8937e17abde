package hive

import (
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
)

// keysMost bounds the subkeys of one key: of all services of a system there are
// some hundreds to two thousand (common practice).
const keysMost = 1 << 16

// nameMost is 256 letters of UTF-16 (Microsoft, "Registry Element Size Limits").
const nameMost = 512

// Of a key's flags ("Key node").
const (
	keyLink  = 0x10
	keyASCII = 0x20 // its name is one byte a letter
)

// Key is one key, and what it says of its own.
type Key struct {
	Name   string
	hive   *Hive
	at     uint32
	flags  uint16
	parent uint32
	keys   uint32 // how many, and the cell of their list
	list   uint32
	values uint32
	held   uint32 // the cell of their list
}

// key reads the key at an offset.
func (h *Hive) key(at uint32) (*Key, error) {
	b, err := h.cell(at, 76)
	if err != nil {
		return nil, err
	}
	word := func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
	k := &Key{hive: h, at: at, flags: binary.LittleEndian.Uint16(b[2:]), parent: word(16), keys: word(20), list: word(28), values: word(36), held: word(40)}
	n := int(binary.LittleEndian.Uint16(b[72:]))
	if string(b[:2]) != "nk" || n == 0 || n > nameMost || 76+n > len(b) {
		return nil, fmt.Errorf("%w: no key is at %d", errBroken, at)
	}
	k.Name = name(b[76:76+n], k.flags&keyASCII != 0)
	return k, nil
}

// name gives a name as it is kept: one byte a letter (ISO 8859-1), or UTF-16.
func name(b []byte, bytes bool) string {
	var units []uint16
	if bytes {
		for _, c := range b {
			units = append(units, uint16(c))
		}
	} else {
		for ; len(b) >= 2; b = b[2:] {
			units = append(units, binary.LittleEndian.Uint16(b))
		}
	}
	return string(utf16.Decode(units))
}

// Find follows names from the root key; ASCII letters count as alike, large or
// small. ErrNotThere, and no other error, says that there is no such key.
func (h *Hive) Find(names ...string) (*Key, error) {
	root, err := h.key(h.root)
	if err != nil {
		return nil, err
	}
	return root.Find(names...)
}

// Find follows names from this key.
func (k *Key) Find(names ...string) (*Key, error) {
	for i, name := range names {
		next, err := k.child(name)
		if err != nil {
			return nil, fmt.Errorf(`%s: %w`, strings.Join(names[:i+1], `\`), err)
		}
		k = next
	}
	return k, nil
}

// child finds a subkey. Windows goes by the hash that lists of later versions
// have, so those are asked first; a name that it would not find by its hash is an
// error.
func (k *Key) child(name string) (*Key, error) {
	list, err := k.listed()
	if err != nil {
		return nil, err
	}
	var found *Key
	for _, hashed := range []bool{true, false} {
		for _, l := range list {
			if hashed && (l.kind != "lh" || l.hint != hash(name)) {
				continue
			}
			next, err := k.open(l)
			if err != nil {
				return nil, err
			}
			if !alike(next.Name, name) {
				continue
			}
			if found != nil {
				return nil, fmt.Errorf("%w: there are two keys of that name", errBroken)
			}
			if !l.hints(next.Name) {
				return nil, fmt.Errorf("%w: the key is listed under another name", errBroken)
			}
			found = next
		}
		if found != nil {
			return found, nil
		}
	}
	return nil, ErrNotThere
}

// Keys gives all subkeys.
func (k *Key) Keys() ([]*Key, error) {
	list, err := k.listed()
	if err != nil {
		return nil, err
	}
	keys := make([]*Key, 0, len(list))
	for _, l := range list {
		next, err := k.open(l)
		if err != nil {
			return nil, err
		}
		keys = append(keys, next)
	}
	return keys, nil
}

// open reads a listed subkey, which has to know its parent. Behind a link the key
// is another.
func (k *Key) open(l listing) (*Key, error) {
	next, err := k.hive.key(l.at)
	switch {
	case err != nil:
		return nil, err
	case next.parent != k.at:
		return nil, fmt.Errorf("%w: the key at %d belongs to another", errBroken, l.at)
	case next.flags&keyLink != 0:
		return nil, fmt.Errorf("%.40q is a link to another key", next.Name)
	}
	return next, nil
}

func alike(a, b string) bool { return large(a) == large(b) }

// large gives ASCII letters as large ones; others are left as they are.
func large(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' {
			r -= 'a' - 'A'
		}
		return r
	}, s)
}
