// Package copy copies a disk, an image to the beginning of a drive or a drive's
// system to a new image, and reads all of it back: sparse, in parallel, past the
// page cache, to be stopped at any moment and to go on where it was. Start at Copy.
package copy

import (
	"context"
	"errors"
	"fmt"
	"io"

	"golang.org/x/sync/errgroup"

	"lendkeep/providers/drive/image"
)

// Source is what is copied; *image.Image is one. Its methods are called from many
// goroutines at once.
type Source interface {
	io.ReaderAt
	SizeBytes() uint64
	// Stamp changes with what it holds, as far as that can be told; empty: it cannot
	// be looked at any more.
	Stamp() string
	// Extents gives all of it in sequence and without gaps, with what is known to be
	// zeroes, which is not read then.
	Extents(ctx context.Context, yield func(image.Extent) error) error
	// Forget says that a stretch will not be read again.
	Forget(offset, length int64)
}

// Target is what is written. Reads must answer from the drive itself, not from
// a cache of the host; Sync returns once all that was written survives a power
// cut. Open makes one of a file.
type Target interface {
	io.ReaderAt
	io.WriterAt
	// Zero makes a stretch read as zeroes, by the fastest way there is.
	Zero(offset, length int64) error
	Sync() error
	SizeBytes() int64
}

// Options are the rest of what a copy needs.
type Options struct {
	// Mark begins the first sector of the drive until the copy is whole; it is
	// shorter than a sector and tells this copy from others.
	Mark string
	// Record is the path of the progress file; it is made if it is not there. Empty:
	// there is none. Then nothing that an earlier try wrote is believed: all is
	// compared, and what differs is written, which is right also where the source may
	// have changed meanwhile without its stamp.
	Record string
	// Drive says which drive the target is, in a way that another has not.
	Drive string
	// From and To say in errors what is copied and what is written: "image", "drive".
	From, To string
	// Watch is told how many bytes of the disk are known to be on the drive as
	// they are in the image. It may be nil; it is not called twice at once.
	Watch func(phase string, done, total uint64)
}

// Phases as Watch is told them.
const (
	PhaseCopy  = "copy and read back"
	PhaseTable = "write the beginning"
)

const (
	headBytes   = 1 << 20  // written last: MBR, GPT, and what a boot sector may load
	blockBytes  = 2 << 20  // of one read or write: no compressed cluster is larger
	grain       = 4096     // of what is written
	smallGap    = 64 << 10 // zeroes that are written with the data around them
	workers     = 4        // of each of the two stages
	sectorBytes = 512
)

// pace is how much is done between two syncs of the drive, after which it is
// read back while the next is copied; and how much between two of the record:
// less than a second of work on a fast drive is not worth one. Tests go in
// smaller steps.
var pace = struct{ stretch, record int64 }{128 << 20, 512 << 20}

// Copy makes the first bytes of a target the same as its source, and proves it:
// everything is read from both once more and compared, zeroes too. What was on the
// target there before is lost. The first MiB is written last, and in it the first
// 4 KiB; until then the target begins with the mark. After an error or a crash the
// next call goes on from the last position that the record has, if source, target
// and mark are the same;
// else it begins anew. The record is removed once the copy is whole. Every error
// says at which byte; context.Canceled and the like come back as soon as the reads
// and writes under way have ended.
func Copy(ctx context.Context, from Source, to Target, o Options) error {
	if err := copyAll(ctx, from, to, o); err != nil {
		return fmt.Errorf("copy to %s: %w", o.To, err)
	}
	return nil
}

func copyAll(ctx context.Context, from Source, to Target, o Options) error {
	size := int64(from.SizeBytes())
	switch {
	case size == 0:
		return fmt.Errorf("the %s is empty, so there is no system in it", o.From)
	case size > to.SizeBytes():
		return fmt.Errorf("the %s is %d bytes long, the %s only %d: its end would be lost; shrink the %[1]s first or take a larger %[3]s", o.From, size, o.To, to.SizeBytes())
	case len(o.Mark) == 0 || len(o.Mark) >= sectorBytes:
		return fmt.Errorf("the mark has %d bytes", len(o.Mark))
	}
	c := &copying{from: from, to: to, options: o, size: size, head: min(size, headBytes), stamp: from.Stamp()}
	if c.stamp == "" {
		return fmt.Errorf("the %s cannot be looked at any more", o.From)
	}
	return c.run(ctx)
}

// copying is one copy under way.
type copying struct {
	from    Source
	to      Target
	options Options
	size    int64 // of the image's disk
	head    int64 // how much of it is written last
	stamp   string
	record  *record
	space   *space
	gauge   gauge
}

func (c *copying) run(ctx context.Context) (err error) {
	if c.space, err = newSpace(); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.space.free()) }()
	start, err := c.begin()
	if c.record != nil {
		defer func() { err = errors.Join(err, c.record.close()) }()
	}
	if err != nil {
		return err
	}
	c.gauge = gauge{watch: c.options.Watch, done: uint64(start - c.head), total: uint64(c.size)}
	c.gauge.add(PhaseCopy, 0)
	if err := c.body(ctx, start); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return c.end()
}

// begin finds out where to go on. A copy that begins anew marks the drive, so
// that no old table is seen on half a copy. Only a drive that still has the
// mark is gone on with: whoever emptied it meanwhile took that away first.
func (c *copying) begin() (start int64, err error) {
	if c.options.Record == "" {
		return c.head, c.mark()
	}
	of := identity{Stamp: c.stamp, SizeBytes: c.size, Drive: c.options.Drive}
	old, at := openRecord(c.options.Record, of)
	if old != nil {
		marked, err := c.marked()
		if err == nil && marked && at >= c.head {
			c.record = old
			return at, nil
		}
		if err := errors.Join(err, old.close()); err != nil {
			return 0, err
		}
	}
	if c.record, err = newRecord(c.options.Record, of); err != nil {
		return 0, err
	}
	return c.head, c.mark()
}

// body copies everything but the head: one stage reads the image and writes, the
// other syncs and reads back, while the first is one or two stretches ahead.
func (c *copying) body(ctx context.Context, start int64) error {
	group, ctx := errgroup.WithContext(ctx)
	planned, written := make(chan stretch), make(chan stretch, 1)
	group.Go(func() error {
		defer close(planned)
		p := planner{start: start, size: c.size, emit: func(s stretch) error { return send(ctx, planned, s) }}
		return c.from.Extents(ctx, p.add)
	})
	group.Go(func() error {
		defer close(written)
		for s := range planned {
			s, err := c.write(ctx, s)
			if err == nil {
				err = send(ctx, written, s)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	group.Go(func() error {
		for s := range written {
			if err := c.check(ctx, s); err != nil {
				return err
			}
			if c.record == nil {
				continue
			}
			if err := c.record.reached(s.end); err != nil {
				return err
			}
		}
		return nil
	})
	return group.Wait()
}

// send hands a stretch on unless ctx is over.
func send(ctx context.Context, to chan<- stretch, s stretch) error {
	select {
	case to <- s:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
