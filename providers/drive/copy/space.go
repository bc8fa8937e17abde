package copy

import (
	"bytes"
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// space is all the memory that blocks are held in: it is bounded, begins at
// pages, as direct I/O wants it, and goes back to the system at the end.
type space struct {
	single chan []byte    // for those who write
	pairs  chan [2][]byte // for those who compare
	mapped [][]byte
}

func newSpace() (*space, error) {
	s := &space{single: make(chan []byte, workers), pairs: make(chan [2][]byte, workers)}
	for range workers {
		var block [3][]byte
		for i := range block {
			b, err := unix.Mmap(-1, 0, blockBytes, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON)
			if err != nil {
				return nil, errors.Join(fmt.Errorf("get memory for blocks: %w", err), s.free())
			}
			s.mapped = append(s.mapped, b)
			block[i] = b
		}
		s.single <- block[0]
		s.pairs <- [2][]byte{block[1], block[2]}
	}
	return s, nil
}

func (s *space) free() error {
	var all []error
	for _, b := range s.mapped {
		all = append(all, unix.Munmap(b))
	}
	return errors.Join(all...)
}

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
