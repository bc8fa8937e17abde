package ext

import (
	"errors"
	"fmt"
	"io"

	"lendkeep/providers/formats/runs"
)

// nodesMost bounds the blocks that say where a file lies.
const nodesMost = 1 << 12

// mapping walks what says where a file lies.
type mapping struct {
	v     *Volume
	seed  uint32 // of the sums of its blocks
	need  uint64 // blocks of the file
	nodes int
	file  *runs.File
}

// content gives the bytes of a file.
func (v *Volume) content(number uint64, n inode) (*runs.File, error) {
	m := &mapping{v: v, seed: v.seed(number, n), need: (n.size() + v.blockBytes - 1) / v.blockBytes,
		file: &runs.File{R: v.r, BlockBytes: v.blockBytes, Blocks: v.blocks, Bytes: n.size()}}
	var err error
	if n.flags()&flagExtents != 0 {
		err = m.extents(n[0x28:0x28+60], -1)
	} else {
		err = m.pointers(n[0x28 : 0x28+60])
	}
	return m.file, err
}

func (m *mapping) node(block uint64) ([]byte, error) {
	if m.nodes++; m.nodes > nodesMost {
		return nil, fmt.Errorf("more than %d blocks say where it lies", nodesMost)
	}
	if block == 0 || block >= m.v.blocks {
		return nil, fmt.Errorf("block %d of %d", block, m.v.blocks)
	}
	b := make([]byte, m.v.blockBytes)
	return b, runs.Full(m.v.r, b, block*m.v.blockBytes)
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
			if !m.v.treeRight(m.seed, below) {
				return errors.New("extent tree: a checksum of it is wrong")
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
		if err := m.file.Add(runs.Run{At: uint64(le.Uint32(e)), Count: count, Block: uint64(le.Uint32(e[8:])) | uint64(le.Uint16(e[6:]))<<32}); err != nil {
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
		return m.file.Add(runs.Run{At: *at - 1, Count: 1, Block: block})
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

// Open gives the bytes of a regular file.
func (v *Volume) Open(number uint64) (io.ReaderAt, error) {
	n, err := v.inode(number)
	if err != nil {
		return nil, err
	}
	if n.mode() != 0 {
		return nil, fmt.Errorf("inode %d is no regular file", number)
	}
	return v.content(number, n)
}
