// Package runs reads a file of a filesystem by where its blocks lie. Start at File.
package runs

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

const (
	// FileMost bounds a file that is read, in bytes; an initramfs is the largest.
	FileMost = 1 << 30
	listMost = 1 << 16
)

// Run is a part of a file that lies in one piece.
type Run struct {
	At    uint64 // block of the file
	Count uint64
	Block uint64 // of the volume
}

// File is a file by its runs; what none of them has is a hole, and reads as zeroes.
type File struct {
	R          io.ReaderAt // of the volume
	BlockBytes uint64
	Blocks     uint64 // of the volume
	Bytes      uint64 // of the file
	list       []Run  // in the sequence of the file's blocks
}

// Add notes a run behind those before it.
func (f *File) Add(r Run) error {
	if r.Count == 0 || r.Block == 0 || r.Block >= f.Blocks || r.Count > f.Blocks-r.Block {
		return fmt.Errorf("%d blocks at block %d of %d", r.Count, r.Block, f.Blocks)
	}
	if len(f.list) > 0 {
		last := &f.list[len(f.list)-1]
		if r.At < last.At+last.Count {
			return errors.New("its extents are out of sequence")
		}
		if r.At == last.At+last.Count && r.Block == last.Block+last.Count {
			last.Count += r.Count
			return nil
		}
	}
	if len(f.list) == listMost {
		return fmt.Errorf("it lies in more than %d pieces", listMost)
	}
	f.list = append(f.list, r)
	return nil
}

// find gives the first run that ends behind a block.
func (f *File) find(block uint64) *Run {
	i, _ := slices.BinarySearchFunc(f.list, block, func(r Run, block uint64) int {
		if r.At+r.Count <= block {
			return -1
		}
		return 1
	})
	if i == len(f.list) {
		return nil
	}
	return &f.list[i]
}

// Hole tells whether a block of the file has no place.
func (f *File) Hole(block uint64) bool {
	r := f.find(block)
	return r == nil || r.At > block
}

// ReadAt reads up to the end of the file.
func (f *File) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 || uint64(at) >= f.Bytes {
		return 0, io.EOF
	}
	whole := len(p)
	p = p[:min(uint64(whole), f.Bytes-uint64(at))]
	for done := 0; done < len(p); {
		n, err := f.piece(p[done:], uint64(at)+uint64(done))
		if err != nil {
			return done, err
		}
		done += n
	}
	if len(p) < whole {
		return len(p), io.EOF
	}
	return len(p), nil
}

// piece reads what lies together at an offset, or a part of a hole.
func (f *File) piece(p []byte, at uint64) (int, error) {
	block, inside := at/f.BlockBytes, at%f.BlockBytes
	r := f.find(block)
	switch {
	case r == nil:
		clear(p)
	case r.At > block:
		p = p[:min(uint64(len(p)), (r.At-block)*f.BlockBytes-inside)]
		clear(p)
	default:
		p = p[:min(uint64(len(p)), (r.At+r.Count-block)*f.BlockBytes-inside)]
		return len(p), Full(f.R, p, (r.Block+block-r.At)*f.BlockBytes+inside)
	}
	return len(p), nil
}

// Full reads all of b or gives an error.
func Full(r io.ReaderAt, b []byte, at uint64) error {
	n, err := r.ReadAt(b, int64(at))
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return err
}
