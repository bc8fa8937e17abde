package drive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"
)

// Of the sample that tells whether all of a disk is blank: a small one is read
// whole. On an NVMe drive it takes one or two seconds.
const (
	sampleBytes = 4096 // of one read; also what direct reads are aligned to
	samplesMost = 65536
	wholeMost   = 1 << 30 // bytes of a disk that is read whole
	wholeBytes  = 1 << 20 // of one read then
	sampleDeep  = 16      // reads under way at once, so that a drive works in parallel
)

// zeroSample tells whether a sample that is spread evenly over a disk is zeroes.
// It ends at the first byte that is not; an error means that it is not known.
func zeroSample(ctx context.Context, r io.ReaderAt, size uint64) (bool, error) {
	step := uint64(sampleBytes)
	if size <= wholeMost {
		step = wholeBytes
	}
	blocks := (size + step - 1) / step
	count := min(blocks, samplesMost)
	var next atomic.Uint64
	var found atomic.Bool
	group, ctx := errgroup.WithContext(ctx)
	for range min(sampleDeep, count) {
		group.Go(func() error {
			b, err := unix.Mmap(-1, 0, int(step), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON)
			if err != nil {
				return fmt.Errorf("get memory: %w", err)
			}
			defer unix.Munmap(b) // its address is sound
			for i := next.Add(1) - 1; i < count && !found.Load(); i = next.Add(1) - 1 {
				if err := ctx.Err(); err != nil {
					return err
				}
				zero, err := zeroAt(r, b, sampleAt(i, count, blocks)*step, size)
				if err != nil {
					return err
				}
				if !zero {
					found.Store(true)
				}
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil && !found.Load() {
		return false, err
	}
	return !found.Load() && count > 0, nil
}

// sampleAt gives the block of one sample, without the product that overflows on
// the largest disks.
func sampleAt(i, count, blocks uint64) uint64 {
	return blocks/count*i + blocks%count*i/count
}

// allZero is what a read of a blank place gives: comparing with it takes a tenth
// of looking at each byte.
var allZero [wholeBytes]byte

// zeroAt reads into a buffer what is there of it.
func zeroAt(r io.ReaderAt, b []byte, at, size uint64) (bool, error) {
	want := min(uint64(len(b)), size-at)
	n, err := r.ReadAt(b, int64(at))
	if uint64(n) < want {
		if err == nil || errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return false, fmt.Errorf("read %d bytes at %d: %w", want, at, err)
	}
	return bytes.Equal(b[:want], allZero[:want]), nil
}

// direct opens a file once more to be read past the page cache, where it can be.
func direct(file *os.File) (*os.File, error) {
	again := fmt.Sprintf("/proc/self/fd/%d", file.Fd()) // not by its name, which may be another's by now
	opened, err := os.OpenFile(again, os.O_RDONLY|unix.O_DIRECT, 0)
	if errors.Is(err, unix.EINVAL) {
		opened, err = os.Open(again)
	}
	return opened, err
}
