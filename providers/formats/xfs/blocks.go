package xfs

import (
	"errors"
	"fmt"

	"lendkeep/providers/formats/runs"
)

// nodesMost bounds the blocks that say where a file lies.
const nodesMost = 1 << 12

// leafAt is where a folder's hashes begin, in bytes of its own space; names are before
// it (XFS_DIR2_LEAF_OFFSET).
const leafAt = 1 << 35

// content gives the bytes of a file ("Data Extents").
func (v *Volume) content(n inode) (*runs.File, error) {
	m := &mapping{v: v, file: &runs.File{R: v.r, BlockBytes: v.blockBytes, Blocks: v.groups * v.groupBlocks, Bytes: n.size()}}
	fork := n.fork()
	var err error
	switch n[5] {
	case formatExtents:
		count := n.extents()
		if count > uint64(len(fork)/16) {
			return nil, errors.New("more extents than the inode has room for")
		}
		err = m.records(fork[:16*count])
	case formatBtree:
		err = m.root(fork)
	default:
		err = fmt.Errorf("data of format %d", n[5])
	}
	return m.file, err
}

// mapping walks what says where a file lies.
type mapping struct {
	v     *Volume
	nodes int
	file  *runs.File
}

// records adds extents of 128 bits: not written 1, block of the file 54, block of the
// volume 52, count 21.
func (m *mapping) records(b []byte) error {
	for ; len(b) > 0; b = b[16:] {
		high, low := be.Uint64(b), be.Uint64(b[8:])
		at := high << 1 >> 10
		if high>>63 != 0 || at*m.v.blockBytes >= leafAt {
			continue // reads as zeroes; of a folder no names
		}
		block, err := m.v.linear(high&0x1ff<<43 | low>>21)
		if err != nil {
			return err
		}
		count := low & (1<<21 - 1)
		if inside := block % m.v.groupBlocks; count > m.v.groupBlocks-inside {
			return fmt.Errorf("%d blocks at block %d of a group", count, inside)
		}
		if err := m.file.Add(runs.Run{At: at, Count: count, Block: block}); err != nil {
			return err
		}
	}
	return nil
}

// root walks the root of a tree of extents, which is in the inode ("B+tree Extent
// List"): level, count, keys, and as far as there is room for them blocks.
func (m *mapping) root(b []byte) error {
	level, count, room := be.Uint16(b), int(be.Uint16(b[2:])), (len(b)-4)/16
	if level == 0 || level > 9 || count > room {
		return errors.New("damaged extent tree")
	}
	return m.below(b[4+8*room:], count, level)
}

// below walks the blocks of one level. Each level is one less, so no circle has an
// end that is not seen.
func (m *mapping) below(pointers []byte, count int, level uint16) error {
	for i := range count {
		b, header, err := m.node(be.Uint64(pointers[8*i:]), level-1)
		if err != nil {
			return err
		}
		records := int(be.Uint16(b[6:]))
		room := (len(b) - header) / 16
		if records > room {
			return errors.New("damaged extent tree")
		}
		if level == 1 {
			err = m.records(b[header : header+16*records])
		} else {
			err = m.below(b[header+8*room:], records, level-1)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (m *mapping) node(block uint64, level uint16) ([]byte, int, error) {
	if m.nodes++; m.nodes > nodesMost {
		return nil, 0, fmt.Errorf("more than %d blocks say where it lies", nodesMost)
	}
	at, err := m.v.linear(block)
	if err != nil {
		return nil, 0, err
	}
	b := make([]byte, m.v.blockBytes)
	if err := runs.Full(m.v.r, b, at*m.v.blockBytes); err != nil {
		return nil, 0, err
	}
	magic, header := "BMAP", 24
	if m.v.v5 {
		magic, header = "BMA3", 72
	}
	if string(b[:4]) != magic || be.Uint16(b[4:]) != level || m.v.v5 && !sumRight(b, 64) {
		return nil, 0, errors.New("damaged extent tree")
	}
	return b, header, nil
}
