package linux

import (
	"io"

	"lendkeep/providers/formats/runs"
)

// Reads go by blocks, of which some are remembered: a compressed image gives no less
// than a cluster, and filesystems are read in pieces of a hundred bytes.
const (
	blockBytes  = 64 << 10 // QEMU's usual cluster
	blocksKnown = 128
)

// blocks reads a disk of that size by blocks.
type blocks struct {
	r     io.ReaderAt
	bytes uint64
	known map[uint64][]byte
}

// ReadAt implements io.ReaderAt; it is not for several at once.
func (b *blocks) ReadAt(p []byte, at int64) (int, error) {
	for done := 0; ; {
		if done == len(p) {
			return done, nil
		}
		from := uint64(at) + uint64(done)
		if at < 0 || from >= b.bytes {
			return done, io.EOF
		}
		block, err := b.block(from / blockBytes)
		if err != nil {
			return done, err
		}
		done += copy(p[done:], block[from%blockBytes:])
	}
}

func (b *blocks) block(number uint64) ([]byte, error) {
	if block := b.known[number]; block != nil {
		return block, nil
	}
	block := make([]byte, min(blockBytes, b.bytes-number*blockBytes))
	if err := runs.Full(b.r, block, number*blockBytes); err != nil {
		return nil, err
	}
	if b.known == nil || len(b.known) == blocksKnown {
		b.known = map[uint64][]byte{}
	}
	b.known[number] = block
	return block, nil
}
