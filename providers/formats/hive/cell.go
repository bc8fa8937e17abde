package hive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
)

var errBroken = errors.New("the hive contradicts itself")

// bin is one of those that all cells lie in, with the offsets of the cells that
// are in use ("Hive bins").
type bin struct {
	from  uint32
	b     []byte
	cells []uint32
}

const (
	binHead  = 32
	binPages = 1024 // of 4 KiB in one bin: a value that needs more is kept in several cells ("Big data")
)

// cell gives what is in the cell at an offset, of at least that many bytes. It has
// to be one of those that its bin is divided into, and in use.
func (h *Hive) cell(at, least uint32) ([]byte, error) {
	in, err := h.bin(at)
	if err != nil {
		return nil, err
	}
	if _, found := slices.BinarySearch(in.cells, at); !found {
		return nil, fmt.Errorf("%w: no cell that is in use begins at %d", errBroken, at)
	}
	raw := in.b[at-in.from:]
	b := raw[4:-int32(binary.LittleEndian.Uint32(raw))]
	if uint32(len(b)) < least {
		return nil, fmt.Errorf("%w: the cell at %d has only %d bytes", errBroken, at, len(b))
	}
	return b, nil
}

// count notes how much lists have named: the same one may be named again and again.
func (h *Hive) count(n int) error {
	if h.counted += n; h.counted > countMost {
		return errors.New("its lists name more than is read of one hive")
	}
	return nil
}

// bin gives the bin that an offset lies in. Each begins on a page, with a mark and
// its own offset.
func (h *Hive) bin(at uint32) (*bin, error) {
	if at >= h.size {
		return nil, fmt.Errorf("%w: offset %d is behind its end", errBroken, at)
	}
	page := at - at%headBytes
	for n := 0; n < binPages; n++ {
		if in := h.bins[page]; in != nil {
			return in, in.holds(at)
		}
		head := make([]byte, binHead)
		if err := fill(h.r, head, headBytes+uint64(page)); err != nil {
			return nil, err
		}
		if string(head[:4]) == "hbin" && binary.LittleEndian.Uint32(head[4:]) == page {
			in, err := h.load(page, binary.LittleEndian.Uint32(head[8:]))
			if err != nil {
				return nil, err
			}
			return in, in.holds(at)
		}
		if page == 0 {
			break
		}
		page -= headBytes
	}
	return nil, fmt.Errorf("%w: no bin holds offset %d", errBroken, at)
}

func (in *bin) holds(at uint32) error {
	if at-in.from >= uint32(len(in.b)) {
		return fmt.Errorf("%w: no bin holds offset %d", errBroken, at)
	}
	return nil
}

// load reads a bin, which cells have to fill to its last byte ("Cell").
func (h *Hive) load(from, size uint32) (*bin, error) {
	if size == 0 || size%headBytes != 0 || size > binPages*headBytes || size > h.size-from {
		return nil, fmt.Errorf("%w: the bin at %d has %d bytes", errBroken, from, size)
	}
	if h.loaded += uint64(size); h.loaded > loadMost {
		return nil, fmt.Errorf("more than %d bytes of the hive would have to be read", loadMost)
	}
	in := &bin{from: from, b: make([]byte, size)}
	if err := fill(h.r, in.b, headBytes+uint64(from)); err != nil {
		return nil, err
	}
	for at := uint32(binHead); at < size; {
		n := int64(int32(binary.LittleEndian.Uint32(in.b[at:]))) // negative: in use
		if n < 0 {
			in.cells = append(in.cells, from+at)
			n = -n
		}
		if n < 8 || n%8 != 0 || n > int64(size-at) {
			return nil, fmt.Errorf("%w: the cell at %d has a size of %d", errBroken, from+at, n)
		}
		at += uint32(n)
	}
	h.bins[from] = in
	return in, nil
}
