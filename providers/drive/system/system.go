// Package system looks for installed systems on a disk of which the table and the
// volumes are known: Look asks those who know one kind each.
package system

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"lendkeep/providers/drive/linux"
	"lendkeep/providers/drive/windows"
	"lendkeep/reconcile/facts"
)

// lookers look for installed systems on a disk of which the content is known so
// far, one for each kind of system.
var lookers = []func(context.Context, io.ReaderAt, *facts.Content) []facts.Installed{onPartitions(windows.Look), onWhole(linux.Look)}

// Look gives the system on a disk; nil: none is seen. Which of several is
// started nobody knows here.
func Look(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed {
	if c.Unfinished != "" || c.Table == nil {
		return nil
	}
	var found []facts.Installed
	for _, look := range lookers {
		found = append(found, look(ctx, r, c)...)
	}
	switch {
	case len(found) == 0:
		return nil
	case c.Signature != nil:
		return &facts.Installed{Gap: fmt.Sprintf("the disk as a whole is marked as %s, so that its partitions may not be what they seem", c.Signature.Kind)}
	case len(found) == 1:
		return &found[0]
	}
	var each []string
	for _, i := range found {
		text := i.Gap
		if i.Kind != "" {
			text = fmt.Sprintf("%s on partition %d", i.Kind, i.Partition)
		}
		each = append(each, text)
	}
	return &facts.Installed{Gap: "more than one installed system may be on it: " + strings.Join(each, "; ")}
}

// onPartitions makes a looker of one that looks into a single partition, of which a
// little is read.
func onPartitions(look func(r io.ReaderAt, sizeBytes uint64, v facts.Volume) *facts.Installed) func(context.Context, io.ReaderAt, *facts.Content) []facts.Installed {
	return func(_ context.Context, r io.ReaderAt, c *facts.Content) []facts.Installed {
		little := &bounded{r: r, size: c.SizeBytes}
		var found []facts.Installed
		for _, v := range c.Volumes {
			start, size := c.Span(v.Number)
			if i := look(io.NewSectionReader(little, int64(start), int64(size)), size, v); i != nil {
				found = append(found, *i)
			}
		}
		return found
	}
}

// onWhole makes a looker of one that looks into the disk as a whole, and bounds itself
// what it reads.
func onWhole(look func(context.Context, io.ReaderAt, *facts.Content) *facts.Installed) func(context.Context, io.ReaderAt, *facts.Content) []facts.Installed {
	return func(ctx context.Context, r io.ReaderAt, c *facts.Content) []facts.Installed {
		if i := look(ctx, r, c); i != nil {
			return []facts.Installed{*i}
		}
		return nil
	}
}

// Of what is read to look for systems: by blocks, since a compressed image gives
// nothing smaller for less, of which some are remembered.
const (
	blockBytes  = 64 << 10
	blocksMost  = 1024 // 64 MiB of one disk: some times what a large registry takes
	blocksKnown = 128
)

var errTooMuch = errors.New("more of it would have to be read than is read of one disk to look for systems")

// bounded reads so much of a disk and no more.
type bounded struct {
	r      io.ReaderAt
	size   uint64
	blocks map[int64][]byte
	read   int
}

// ReadAt implements io.ReaderAt.
func (b *bounded) ReadAt(to []byte, at int64) (int, error) {
	done := 0
	for done < len(to) {
		if at < 0 || uint64(at) >= b.size {
			return done, io.EOF
		}
		block, err := b.block(at / blockBytes)
		if err != nil {
			return done, err
		}
		n := copy(to[done:], block[at%blockBytes:])
		done, at = done+n, at+int64(n)
	}
	return done, nil
}

// block gives one block of the disk, of which the last may be short.
func (b *bounded) block(number int64) ([]byte, error) {
	if known, ok := b.blocks[number]; ok {
		return known, nil
	}
	if b.read++; b.read > blocksMost {
		return nil, errTooMuch
	}
	at := number * blockBytes
	block := make([]byte, min(blockBytes, b.size-uint64(at)))
	if n, err := b.r.ReadAt(block, at); n < len(block) {
		if err == nil || errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, fmt.Errorf("read %d bytes at %d: %w", len(block), at, err)
	}
	if len(b.blocks) == blocksKnown || b.blocks == nil {
		b.blocks = map[int64][]byte{}
	}
	b.blocks[number] = block
	return block, nil
}
