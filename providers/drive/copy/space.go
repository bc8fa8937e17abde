package copy

import (
	"bytes"
	"fmt"

	"golang.org/x/sys/unix"
)

// space is all the memory that blocks are held in: it is bounded, begins at
// pages, as direct I/O wants it, and goes back to the system at the end.
type space struct {
	single chan []byte    // for those who write
	pairs  chan [2][]byte // for those who compare
	mapped []byte
}

func newSpace() (*space, error) {
	s := &space{single: make(chan []byte, workers), pairs: make(chan [2][]byte, workers)}
	var err error
	s.mapped, err = unix.Mmap(-1, 0, 3*workers*blockBytes, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		return nil, fmt.Errorf("get memory for blocks: %w", err)
	}
	// One large page is quicker to hand to a drive than 512 small ones. A kernel
	// that has none goes without.
	_ = unix.Madvise(s.mapped, unix.MADV_HUGEPAGE)
	block := func(n int) []byte { return s.mapped[n*blockBytes : (n+1)*blockBytes : (n+1)*blockBytes] }
	for n := range workers {
		s.single <- block(n)
		s.pairs <- [2][]byte{block(workers + 2*n), block(workers + 2*n + 1)}
	}
	return s, nil
}

func (s *space) free() error { return unix.Munmap(s.mapped) }

var zeroes [64 << 10]byte

// isZero compares with zeroes that stay in the processor's cache; bytes.Equal
// compares as wide as the processor can.
func isZero(b []byte) bool {
	for len(b) > len(zeroes) {
		if !bytes.Equal(b[:len(zeroes)], zeroes[:]) {
			return false
		}
		b = b[len(zeroes):]
	}
	return bytes.Equal(b, zeroes[:len(b)])
}
