package ext

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

const (
	// fileMost bounds a file that is read, in bytes; an initramfs is the largest.
	fileMost = 1 << 30
	// runsMost and nodesMost bound what is kept of where a file lies.
	runsMost  = 1 << 16
	nodesMost = 1 << 12
)

// run is a part of a file that lies in one piece; what no run has is a hole.
type run struct {
	at    uint64 // block of the file
	count uint64
	block uint64 // of the volume
}

// runs gives where a file lies, in the sequence of its blocks.
func (v *Volume) runs(n inode) ([]run, error) {
	m := &mapping{v: v, need: (n.size() + v.blockBytes - 1) / v.blockBytes}
	var err error
	if n.flags()&flagExtents != 0 {
		err = m.extents(n[0x28:0x28+60], -1)
	} else {
		err = m.pointers(n[0x28 : 0x28+60])
	}
	return m.runs, err
}

// mapping walks what says where a file lies.
type mapping struct {
	v     *Volume
	need  uint64 // blocks of the file
	nodes int
	runs  []run
}

// add notes a run behind those before it.
func (m *mapping) add(r run) error {
	if r.block == 0 || r.block >= m.v.blocks || r.count > m.v.blocks-r.block {
		return fmt.Errorf("%d blocks at block %d of %d", r.count, r.block, m.v.blocks)
	}
	if len(m.runs) > 0 {
		last := &m.runs[len(m.runs)-1]
		if r.at < last.at+last.count {
			return errors.New("its extents are out of sequence")
		}
		if r.at == last.at+last.count && r.block == last.block+last.count {
			last.count += r.count
			return nil
		}
	}
	if len(m.runs) == runsMost {
		return fmt.Errorf("it lies in more than %d pieces", runsMost)
	}
	m.runs = append(m.runs, r)
	return nil
}

func (m *mapping) node(block uint64) ([]byte, error) {
	if m.nodes++; m.nodes > nodesMost {
		return nil, fmt.Errorf("more than %d blocks say where it lies", nodesMost)
	}
	if block == 0 || block >= m.v.blocks {
		return nil, fmt.Errorf("block %d of %d", block, m.v.blocks)
	}
	b := make([]byte, m.v.blockBytes)
	return b, readFull(m.v.r, b, int64(block*m.v.blockBytes))
}

// extents walks a node of an extent tree (kernel documentation, "Extent Tree"). Each
// is one level below its parent, so no circle has an end that is not seen; the root
// may have up to five below it.
func (m *mapping) extents(b []byte, depth int) error {
	entries, level := int(le.Uint16(b[2:])), int(le.Uint16(b[6:]))
	switch {
	case le.Uint16(b[0:]) != 0xf30a || 12+12*entries > len(b):
		return errors.New("damaged extent tree")
	case depth < 0 && level > 5, depth >= 0 && level != depth:
		return fmt.Errorf("extent tree of depth %d", level)
	}
	for e := b[12:]; entries > 0; entries, e = entries-1, e[12:] {
		if level > 0 {
			below, err := m.node(uint64(le.Uint32(e[4:])) | uint64(le.Uint16(e[8:]))<<32)
			if err != nil {
				return err
			}
			if err := m.extents(below, level-1); err != nil {
				return err
			}
			continue
		}
		count := uint64(le.Uint16(e[4:]))
		if count > 1<<15 { // reserved, never written: reads as zeroes
			continue
		}
		if err := m.add(run{uint64(le.Uint32(e)), count, uint64(le.Uint32(e[8:])) | uint64(le.Uint16(e[6:]))<<32}); err != nil {
			return err
		}
	}
	return nil
}

// pointers walks twelve pointers to blocks, and those that are one, two and three
// levels away (kernel documentation, "Direct/Indirect Block Addressing").
func (m *mapping) pointers(b []byte) error {
	at := uint64(0)
	for i := range 15 {
		if err := m.pointer(uint64(le.Uint32(b[4*i:])), max(0, i-11), &at); err != nil {
			return err
		}
	}
	return nil
}

func (m *mapping) pointer(block uint64, level int, at *uint64) error {
	spans := uint64(1)
	for range level {
		spans *= m.v.blockBytes / 4
	}
	switch {
	case *at >= m.need:
		return nil
	case block == 0:
		*at += spans
		return nil
	case level == 0:
		*at++
		return m.add(run{*at - 1, 1, block})
	}
	b, err := m.node(block)
	if err != nil {
		return err
	}
	for ; len(b) > 0; b = b[4:] {
		if err := m.pointer(uint64(le.Uint32(b)), level-1, at); err != nil {
			return err
		}
	}
	return nil
}

// content reads a file by where it lies.
type content struct {
	v    *Volume
	runs []run
	size uint64
}

// Open gives the bytes of a regular file.
func (v *Volume) Open(number uint64) (io.ReaderAt, error) {
	n, err := v.inode(number)
	if err != nil {
		return nil, err
	}
	if n.mode() != 0 {
		return nil, fmt.Errorf("inode %d is no regular file", number)
	}
	return v.content(n)
}

func (v *Volume) content(n inode) (*content, error) {
	runs, err := v.runs(n)
	return &content{v, runs, n.size()}, err
}

// ReadAt reads up to the end of the file; holes are zeroes.
func (c *content) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 || uint64(at) >= c.size {
		return 0, io.EOF
	}
	whole := len(p)
	p = p[:min(uint64(whole), c.size-uint64(at))]
	for done := 0; done < len(p); {
		offset := uint64(at) + uint64(done)
		block, inside := offset/c.v.blockBytes, offset%c.v.blockBytes
		i, _ := slices.BinarySearchFunc(c.runs, block, func(r run, block uint64) int {
			if r.at+r.count <= block {
				return -1
			}
			return 1
		})
		rest := p[done:]
		switch {
		case i == len(c.runs):
			clear(rest)
			done = len(p)
		case c.runs[i].at > block: // a hole before it
			hole := min(uint64(len(rest)), (c.runs[i].at-block)*c.v.blockBytes-inside)
			clear(rest[:hole])
			done += int(hole)
		default:
			r := c.runs[i]
			rest = rest[:min(uint64(len(rest)), (r.at+r.count-block)*c.v.blockBytes-inside)]
			if err := readFull(c.v.r, rest, int64((r.block+block-r.at)*c.v.blockBytes+inside)); err != nil {
				return done, err
			}
			done += len(rest)
		}
	}
	if len(p) < whole {
		return len(p), io.EOF
	}
	return len(p), nil
}
