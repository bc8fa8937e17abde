package drive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// emptyStep is how much is made zeroes at a time, so that a long deed can be
// ended in between.
const emptyStep = 1 << 30

// WriteTable turns one GPT of a drive into another; nil is none. It refuses a
// drive that holds neither, whole or partly written (table.Write); nothing of
// it is kept, so the name does not matter.
func (ds Drives) WriteTable(ctx context.Context, d facts.Drive, before, after *facts.Table, _ string) error {
	return ds.with(ctx, d, "write table of drive", func(file *opened) error {
		// Whoever marks the drive as a whole would lose what it keeps at its end.
		mark, err := content.Whole(file.File, d.SizeBytes)
		if err != nil {
			return err
		}
		if mark != nil {
			return fmt.Errorf("the drive is marked as %s as a whole", mark.Kind)
		}
		if err := table.Write(file.File, d.SizeBytes, d.SectorBytes, before, after); err != nil {
			return err
		}
		return file.settled(ctx)
	})
}

// Empty makes the first bytes of a drive and its last MiB read as zeroes. Its
// start comes last: the mark of an unfinished copy stands there, and without it
// a drive counts as blank. How far that copy had come is forgotten first: nobody
// may go on with it on a drive that is half empty.
func (ds Drives) Empty(ctx context.Context, d facts.Drive, bytes uint64, keep string) error {
	return ds.with(ctx, d, "empty drive", func(file *opened) error {
		record, err := ds.recordOf(keep)
		if err != nil {
			return err
		}
		if err := os.Remove(record); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		bytes = (min(bytes, d.SizeBytes) + d.SectorBytes - 1) / d.SectorBytes * d.SectorBytes
		front, last := min(bytes, endBytes), d.SizeBytes-min(d.SizeBytes, endBytes)
		for _, span := range [][2]uint64{{front, bytes}, {last, d.SizeBytes}, {0, front}} {
			if err := file.zero(ctx, span[0], span[1]); err != nil {
				return err
			}
			if err := file.Sync(); err != nil {
				return err
			}
		}
		return file.settled(ctx)
	})
}

// zero makes a range read as zeroes. Punching a hole gives the space back and
// reads as zeroes by contract, or is refused; making a range zeroes writes them
// where the drive can do no better (fallocate(2); for block devices kernel
// block/fops.c, blkdev_fallocate).
func (o *opened) zero(ctx context.Context, at, end uint64) error {
	for at < end {
		if err := ctx.Err(); err != nil {
			return err
		}
		step := min(end-at, emptyStep)
		err := o.fallocate(unix.FALLOC_FL_PUNCH_HOLE, at, step)
		if errors.Is(err, unix.EOPNOTSUPP) {
			err = o.fallocate(unix.FALLOC_FL_ZERO_RANGE, at, step)
		}
		if err != nil {
			return fmt.Errorf("make %d bytes at %d zeroes: %w", step, at, err)
		}
		at += step
	}
	return nil
}

func (o *opened) fallocate(mode uint32, at, count uint64) error {
	for {
		err := unix.Fallocate(int(o.Fd()), mode|unix.FALLOC_FL_KEEP_SIZE, int64(at), int64(count))
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}
