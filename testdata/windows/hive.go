// Package windows makes what tests look into instead of an installed Windows: hives
// out of keys and values, and NTFS volumes with them. Start at Hive and Volume.
package windows

import (
	"encoding/binary"
	"slices"
	"strings"
	"unicode/utf16"
)

// Key is a registry key with what is in it.
type Key struct {
	Name   string
	Values []Value
	Keys   []Key
}

// Value is one value of a key.
type Value struct {
	Name string
	Type uint32
	Data []byte
}

// Number is a REG_DWORD.
func Number(name string, n uint32) Value {
	return Value{name, 4, binary.LittleEndian.AppendUint32(nil, n)}
}

// Text is a REG_SZ.
func Text(name, s string) Value { return Value{name, 1, append(wide(s), 0, 0)} }

// With gives a key with another one at the end of a path below it, or with more
// values there.
func (k Key) With(path string, values ...Value) Key {
	name, rest, below := strings.Cut(path, `\`)
	k.Keys = slices.Clone(k.Keys)
	at := slices.IndexFunc(k.Keys, func(k Key) bool { return k.Name == name })
	if at < 0 {
		at, k.Keys = len(k.Keys), append(k.Keys, Key{Name: name})
	}
	next := k.Keys[at]
	if below {
		next = next.With(rest, values...)
	} else {
		next.Values = append(slices.Clone(next.Values), values...)
	}
	k.Keys[at] = next
	return k
}

// writer fills bins with cells, from the first to the last.
type writer struct {
	b       []byte // all bins
	at, end int    // what is free of the last one
	guard   uint32 // the security cell of all keys
}

// Hive makes a clean hive of version 1.5 (Windows registry file format
// specification, M. Suhanov). Subkeys are listed with their hashes, more than 500
// in several lists.
func Hive(root Key) []byte {
	w := &writer{}
	w.guard = w.cell(make([]byte, 20+20))
	guard := w.in(w.guard)
	copy(guard, "sk")
	for at, n := range map[int]uint32{4: w.guard, 8: w.guard, 12: 1, 16: 20} {
		binary.LittleEndian.PutUint32(guard[at:], n)
	}
	copy(guard[20:], "\x01\x00\x04\x80") // an empty descriptor
	top := w.key(root, 0)
	binary.LittleEndian.PutUint16(w.in(top)[2:], 0x2c) // the root
	w.close()
	head := make([]byte, 4096)
	copy(head, "regf")
	for at, n := range map[int]uint32{4: 7, 8: 7, 20: 1, 24: 5, 32: 1, 36: top, 40: uint32(len(w.b)), 44: 1} {
		binary.LittleEndian.PutUint32(head[at:], n)
	}
	Seal(head)
	return append(head, w.b...)
}

// Seal puts the right checksum into a hive's or log's base block.
func Seal(head []byte) {
	var sum uint32
	for at := 0; at < 508; at += 4 {
		sum ^= binary.LittleEndian.Uint32(head[at:])
	}
	switch sum {
	case 0:
		sum = 1
	case 0xffffffff:
		sum = 0xfffffffe
	}
	binary.LittleEndian.PutUint32(head[508:], sum)
}

// cell puts bytes into a cell of their own and gives its offset.
func (w *writer) cell(data []byte) uint32 {
	n := (len(data) + 4 + 7) &^ 7
	if w.at+n > w.end {
		w.close()
		size := (n + 32 + 4095) &^ 4095
		head := make([]byte, size)
		copy(head, "hbin")
		binary.LittleEndian.PutUint32(head[4:], uint32(len(w.b)))
		binary.LittleEndian.PutUint32(head[8:], uint32(size))
		w.at, w.end = len(w.b)+32, len(w.b)+size
		w.b = append(w.b, head...)
	}
	at := w.at
	binary.LittleEndian.PutUint32(w.b[at:], uint32(-n))
	copy(w.b[at+4:], data)
	w.at += n
	return uint32(at)
}

func (w *writer) in(cell uint32) []byte { return w.b[cell+4:] }

// close makes the rest of the last bin a free cell.
func (w *writer) close() {
	if w.at < w.end {
		binary.LittleEndian.PutUint32(w.b[w.at:], uint32(w.end-w.at))
	}
}

func (w *writer) key(k Key, parent uint32) uint32 {
	b := make([]byte, 76, 76+2*len(k.Name))
	copy(b, "nk")
	b = append(b, k.Name...)
	flags := uint16(0x20)
	if strings.ContainsFunc(k.Name, func(r rune) bool { return r > 127 }) {
		b, flags = append(b[:76], wide(k.Name)...), 0
	}
	binary.LittleEndian.PutUint16(b[2:], flags)
	binary.LittleEndian.PutUint16(b[72:], uint16(len(b)-76))
	at := w.cell(b)
	set := func(place int, n uint32) { binary.LittleEndian.PutUint32(w.in(at)[place:], n) }
	for place, n := range map[int]uint32{16: parent, 20: uint32(len(k.Keys)), 28: w.keys(k.Keys, at), 32: 0xffffffff,
		36: uint32(len(k.Values)), 40: w.values(k.Values), 44: w.guard, 48: 0xffffffff} {
		set(place, n)
	}
	return at
}

// keys writes subkeys and their lists.
func (w *writer) keys(keys []Key, parent uint32) uint32 {
	if len(keys) == 0 {
		return 0xffffffff
	}
	keys = slices.SortedFunc(slices.Values(keys), func(a, b Key) int { return strings.Compare(strings.ToUpper(a.Name), strings.ToUpper(b.Name)) })
	var lists []byte
	for part := range slices.Chunk(keys, 500) {
		b := binary.LittleEndian.AppendUint16([]byte("lh"), uint16(len(part)))
		for _, k := range part {
			b = binary.LittleEndian.AppendUint32(b, w.key(k, parent))
			b = binary.LittleEndian.AppendUint32(b, hash(k.Name))
		}
		lists = binary.LittleEndian.AppendUint32(lists, w.cell(b))
	}
	if len(lists) == 4 {
		return binary.LittleEndian.Uint32(lists)
	}
	return w.cell(append(binary.LittleEndian.AppendUint16([]byte("ri"), uint16(len(lists)/4)), lists...))
}

func hash(name string) (sum uint32) {
	for _, r := range strings.ToUpper(name) {
		sum = sum*37 + uint32(r)
	}
	return sum
}

// values writes values; of none the list is none.
func (w *writer) values(values []Value) uint32 {
	if len(values) == 0 {
		return 0xffffffff
	}
	var list []byte
	for _, v := range values {
		b := make([]byte, 20)
		copy(b, "vk")
		binary.LittleEndian.PutUint16(b[2:], uint16(len(v.Name)))
		binary.LittleEndian.PutUint32(b[12:], v.Type)
		b[16] = 1
		if size := uint32(len(v.Data)); size <= 4 {
			binary.LittleEndian.PutUint32(b[4:], size|1<<31)
			copy(b[8:12], v.Data)
		} else {
			binary.LittleEndian.PutUint32(b[4:], size)
			binary.LittleEndian.PutUint32(b[8:], w.cell(v.Data))
		}
		list = binary.LittleEndian.AppendUint32(list, w.cell(append(b, v.Name...)))
	}
	return w.cell(list)
}

func wide(s string) (b []byte) {
	for _, u := range utf16.Encode([]rune(s)) {
		b = binary.LittleEndian.AppendUint16(b, u)
	}
	return b
}
