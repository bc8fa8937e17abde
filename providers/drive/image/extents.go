package image

import (
	"context"
	"fmt"
)

// Extent is a stretch of the disk, in bytes. Neighbours of one kind are one.
type Extent struct {
	Offset     int64
	Length     int64
	Zero       bool // known to be zeroes
	Compressed bool
}

// Extents gives the whole disk in extents, from its first byte to its last. It
// reads tables, never data; what a file of the chain does not hold, by its
// tables or by its holes, is zeroes. It ends with the error of yield, or with
// that of ctx.
func (i *Image) Extents(ctx context.Context, yield func(Extent) error) error {
	var last Extent
	for offset := int64(0); offset < i.size; {
		if err := ctx.Err(); err != nil {
			return err
		}
		found, err := i.top.piece(offset, min(i.size-offset, longest), true)
		if err != nil {
			return fmt.Errorf("read the tables of image %s for byte %d of the disk: %w", i.chain[0].path, offset, err)
		}
		next := Extent{offset, found.length, found.kind == zero, found.kind == compressed}
		offset += found.length
		if last.Zero == next.Zero && last.Compressed == next.Compressed {
			last.Length += next.Length
			continue
		}
		if last.Length > 0 {
			if err := yield(last); err != nil {
				return err
			}
		}
		last = next
	}
	if last.Length > 0 {
		return yield(last)
	}
	return nil
}

// longest bounds one question about the tables, so that ctx is looked at.
const longest = 16 << 30

// Forget tells the kernel that the files behind a stretch of the disk need not
// stay in its page cache. What cannot be forgotten stays.
func (i *Image) Forget(offset, length int64) {
	for end := min(offset+length, i.size); offset < end; {
		found, err := i.top.piece(offset, end-offset, false)
		if err != nil {
			return // the next read says so
		}
		if found.kind == data {
			forget(found.file, found.host, found.length)
		}
		offset += found.length
	}
}
