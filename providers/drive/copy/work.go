package copy

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"sync"
	"sync/atomic"

	"golang.org/x/sync/errgroup"
)

// write copies one stretch. What comes back has only those blocks that are still
// to be read back: a block of zeroes that was read as zeroes from the drive is as
// it should be and was not written.
func (c *copying) write(ctx context.Context, s stretch) (stretch, error) {
	cut := blocks(s.pieces)
	proven := make([]bool, len(cut))
	var used atomic.Bool // something else than zeroes was seen where zeroes go
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(workers)
	for i, b := range cut {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			buffer := <-c.space.single
			defer func() { c.space.single <- buffer }()
			var err error
			proven[i], err = c.writeBlock(b, buffer[:b.length], &used)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return s, err
	}
	s.pieces = nil
	for i, b := range cut {
		if !proven[i] {
			s.pieces = append(s.pieces, b)
		}
	}
	return s, nil
}

// writeBlock copies one block and tells whether it needs no reading back.
func (c *copying) writeBlock(b piece, buffer []byte, used *atomic.Bool) (bool, error) {
	if !b.zero {
		if err := c.readSource(buffer, b.offset); err != nil {
			return false, err
		}
		if !isZero(buffer) {
			return c.writeData(b, buffer)
		}
	}
	// On a drive that is blank, reading once is all: nothing is written, and
	// nothing has to be read back. Where it is not, the try is given up early.
	if !used.Load() {
		if err := c.readTarget(buffer, b.offset); err != nil {
			return false, err
		}
		if isZero(buffer) {
			c.gauge.add(PhaseCopy, b.length)
			return true, nil
		}
		used.Store(true)
	}
	if err := c.to.Zero(b.offset, b.length); err != nil {
		return false, fmt.Errorf("make bytes %d to %d of the %s zeroes: %w", b.offset, b.end(), c.options.To, err)
	}
	return false, nil
}

// writeData writes one block that is not of zeroes. Without a record it may be there
// from an earlier try.
func (c *copying) writeData(b piece, buffer []byte) (proven bool, err error) {
	if c.options.Record == "" {
		pair := <-c.space.pairs
		defer func() { c.space.pairs <- pair }()
		there := pair[0][:b.length]
		if err := c.readTarget(there, b.offset); err != nil {
			return false, err
		}
		if bytes.Equal(there, buffer) {
			c.gauge.add(PhaseCopy, b.length)
			return true, nil
		}
	}
	return false, c.writeAt(buffer, b.offset)
}

// check brings blocks onto the target, reads them back and compares them with the
// source, read anew, not with what is remembered of the writing.
func (c *copying) check(ctx context.Context, s stretch) error {
	if len(s.pieces) == 0 {
		return nil
	}
	if err := c.to.Sync(); err != nil {
		return fmt.Errorf("bring bytes up to %d onto the %s: %w", s.end, c.options.To, err)
	}
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(workers)
	for _, b := range s.pieces {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			pair := <-c.space.pairs
			defer func() { c.space.pairs <- pair }()
			if err := c.checkBlock(b, pair[0][:b.length], pair[1][:b.length]); err != nil {
				return err
			}
			c.gauge.add(PhaseCopy, b.length)
			return nil
		})
	}
	return group.Wait()
}

func (c *copying) checkBlock(b piece, want, got []byte) error {
	if err := c.readTarget(got, b.offset); err != nil {
		return err
	}
	if b.zero {
		if !isZero(got) {
			return c.differs(b.offset, make([]byte, len(got)), got)
		}
		return nil
	}
	if err := c.readSource(want, b.offset); err != nil {
		return err
	}
	if !bytes.Equal(want, got) {
		return c.differs(b.offset, want, got)
	}
	c.from.Forget(b.offset, b.length)
	return nil
}

// differs says where the target has something else than it should.
func (c *copying) differs(offset int64, want, got []byte) error {
	for i := range want {
		if want[i] != got[i] {
			return fmt.Errorf("byte %d of the %s reads as %#02x, the %s has %#02x there: the %[2]s did not keep what was written to it, or memory or cabling is failing; do not use the drive before its error log (smartctl -x) was looked at", offset+int64(i), c.options.To, got[i], c.options.From, want[i])
		}
	}
	return nil
}

func (c *copying) readSource(into []byte, offset int64) error {
	_, err := c.from.ReadAt(into, offset)
	return err // names it and the byte
}

func (c *copying) readTarget(into []byte, offset int64) error {
	n, err := c.to.ReadAt(into, offset)
	if n < len(into) && err == nil {
		err = io.ErrUnexpectedEOF
	}
	if err != nil && n < len(into) {
		return fmt.Errorf("read the %s at byte %d: %w; what it holds there is not known, so the copy is not whole", c.options.To, offset+int64(n), err)
	}
	return nil
}

func (c *copying) writeAt(from []byte, offset int64) error {
	n, err := c.to.WriteAt(from, offset)
	if n < len(from) && err == nil {
		err = io.ErrShortWrite
	}
	if err != nil {
		return fmt.Errorf("write the %s at byte %d: %w; it holds part of a copy and no table, and trying again goes on from there", c.options.To, offset+int64(n), err)
	}
	return nil
}

// gauge tells how far the copy is.
type gauge struct {
	mu          sync.Mutex
	watch       func(phase string, done, total uint64)
	done, total uint64
}

func (g *gauge) add(phase string, length int64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.done += uint64(length)
	if g.watch != nil {
		g.watch(phase, g.done, g.total)
	}
}
