// Package blocks reads a disk by blocks, some of which it remembers: a compressed image
// gives no less than a cluster, and what is read of filesystems are pieces of a hundred
// bytes. Start at Reader.
package blocks

import (
	"context"
	"errors"
	"fmt"
	"io"

	"lendkeep/providers/formats/runs"
)

const (
	blockBytes = 64 << 10 // QEMU's usual cluster
	knownMost  = 128
)

// ErrTooMuch says that a Reader's bound is reached.
var ErrTooMuch = errors.New("more of it would have to be read than is read of one disk to look for systems")

// Reader reads a disk, a block at a time. It is not for several at once.
type Reader struct {
	Ctx   context.Context // with which reading ends, since an io.ReaderAt is given none; nil: never
	R     io.ReaderAt
	Bytes uint64 // of the disk
	Most  uint64 // bytes that are read of R; 0: no bound
	read  uint64
	known map[uint64][]byte
}

// ReadAt implements io.ReaderAt.
func (b *Reader) ReadAt(to []byte, at int64) (int, error) {
	for done := 0; ; {
		if done == len(to) {
			return done, nil
		}
		from := uint64(at) + uint64(done)
		if at < 0 || from >= b.Bytes {
			return done, io.EOF
		}
		block, err := b.block(from / blockBytes)
		if err != nil {
			return done, err
		}
		done += copy(to[done:], block[from%blockBytes:])
	}
}

// block gives one block of the disk, of which the last may be short.
func (b *Reader) block(number uint64) ([]byte, error) {
	if b.Ctx != nil && b.Ctx.Err() != nil {
		return nil, b.Ctx.Err()
	}
	if block, ok := b.known[number]; ok {
		return block, nil
	}
	block := make([]byte, min(blockBytes, b.Bytes-number*blockBytes))
	if b.read += uint64(len(block)); b.Most > 0 && b.read > b.Most {
		return nil, ErrTooMuch
	}
	if err := runs.Full(b.R, block, number*blockBytes); err != nil {
		return nil, fmt.Errorf("read %d bytes at %d: %w", len(block), number*blockBytes, err)
	}
	if b.known == nil || len(b.known) == knownMost {
		b.known = map[uint64][]byte{}
	}
	b.known[number] = block
	return block, nil
}
