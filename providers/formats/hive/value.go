package hive

import (
	"encoding/binary"
	"fmt"
)

// valuesMost bounds the values of one key.
const valuesMost = 1 << 14

// Types of values that are read here.
const (
	typeText   = 1 // REG_SZ
	typePath   = 2 // REG_EXPAND_SZ
	typeNumber = 4 // REG_DWORD
)

const inline = 1 << 31 // of a size: the data stand in the value's own cell

// Value is one value of a key.
type Value struct {
	Name string
	hive *Hive
	cell uint32
	kind uint32
	size uint32 // with inline
	data uint32 // the cell of the data, or they themselves
}

// Values gives all values of a key.
func (k *Key) Values() ([]Value, error) {
	if k.values == 0 {
		return nil, nil
	}
	if k.values > valuesMost {
		return nil, fmt.Errorf("key %.40q has %d values", k.Name, k.values)
	}
	list, err := k.hive.cell(k.held, 4*k.values)
	if err != nil {
		return nil, err
	}
	if err := k.hive.count(int(k.values)); err != nil {
		return nil, err
	}
	values := make([]Value, k.values)
	for i := range values {
		if values[i], err = k.hive.value(binary.LittleEndian.Uint32(list[4*i:])); err != nil {
			return nil, err
		}
	}
	return values, nil
}

func (h *Hive) value(at uint32) (Value, error) {
	b, err := h.cell(at, 20)
	if err != nil {
		return Value{}, err
	}
	word := func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
	n := int(binary.LittleEndian.Uint16(b[2:]))
	if string(b[:2]) != "vk" || 20+n > len(b) {
		return Value{}, fmt.Errorf("%w: no value is at %d", errBroken, at)
	}
	return Value{name(b[20:20+n], b[16]&1 != 0), h, at, word(12), word(4), word(8)}, nil
}

// Value finds a value; ASCII letters count as alike, large or small. ErrNotThere,
// and no other error, says that there is none.
func (k *Key) Value(name string) (Value, error) {
	values, err := k.Values()
	if err != nil {
		return Value{}, fmt.Errorf("%s: %w", name, err)
	}
	var found []Value
	for _, v := range values {
		if alike(v.Name, name) {
			found = append(found, v)
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return Value{}, fmt.Errorf("%s: %w", name, ErrNotThere)
	}
	return Value{}, fmt.Errorf("%w: there are %d values %s", errBroken, len(found), name)
}

// SizeBytes gives the size of a value's data.
func (v Value) SizeBytes() uint32 { return v.size &^ inline }

// Number gives a number of 32 bits, and at which byte of the hive's file its four
// bytes stand: in the cell of the value itself, as Windows keeps them ("Key
// value"). What is anything else is an error.
func (v Value) Number() (number uint32, at uint64, err error) {
	if v.kind != typeNumber || v.size != inline|4 {
		return 0, 0, fmt.Errorf("%.40q is no number: type %d, size %#x", v.Name, v.kind, v.size)
	}
	return v.data, headBytes + uint64(v.cell) + 4 + 8, nil
}

// Text gives a text, without the zero at its end.
func (v Value) Text() (string, error) {
	if v.kind != typeText && v.kind != typePath {
		return "", fmt.Errorf("%.40q is no text: type %d", v.Name, v.kind)
	}
	b, err := v.bytes()
	if err != nil {
		return "", err
	}
	for len(b) >= 2 && b[len(b)-1] == 0 && b[len(b)-2] == 0 {
		b = b[:len(b)-2]
	}
	return name(b, false), nil
}

// bytes gives the data of a value that is not kept in several cells, which those
// are that have more than this since version 1.4 ("Big data").
func (v Value) bytes() ([]byte, error) {
	const most = 16344
	size := v.SizeBytes()
	switch {
	case v.size&inline != 0 && size <= 4:
		var b [4]byte
		binary.LittleEndian.PutUint32(b[:], v.data)
		return b[:size], nil
	case size == 0:
		return nil, nil
	case v.size&inline != 0 || size > most:
		return nil, fmt.Errorf("%.40q has %d bytes", v.Name, size)
	}
	b, err := v.hive.cell(v.data, size)
	if err != nil {
		return nil, err
	}
	return b[:size], nil
}
