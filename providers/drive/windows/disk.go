package windows

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Look looks for an installed Windows on a disk of which the table and the volumes
// are known already. Nil: there is none. While its volume or registry is not clean,
// what was seen is told, but not known. Which of several is started nobody knows
// here.
func Look(_ context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed {
	if c.Unfinished != "" || c.Table == nil {
		return nil
	}
	little := &bounded{r: r, size: c.SizeBytes}
	var found []*facts.Installed
	var each []string
	for _, v := range c.Volumes {
		part, _, size := partOf(little, c, v.Number)
		i := look(part, size, v)
		if i == nil {
			continue
		}
		text := i.Gap
		if i.Kind != "" {
			text = fmt.Sprintf("a Windows on partition %d", i.Partition)
		}
		found, each = append(found, i), append(each, text)
	}
	switch {
	case len(found) == 0:
		return nil
	case c.Signature != nil:
		return &facts.Installed{Gap: fmt.Sprintf("the disk as a whole is marked as %s, so that its partitions may not be what they seem", c.Signature.Kind)}
	case len(found) == 1:
		return found[0]
	}
	return &facts.Installed{Gap: "more than one system may be on it: " + strings.Join(each, "; ")}
}

// partOf gives a partition, its first byte and its size.
func partOf(r io.ReaderAt, c *facts.Content, number int) (part io.ReaderAt, start, size uint64) {
	if i := slices.IndexFunc(c.Table.Entries, func(e facts.Entry) bool { return e.Number == number }); i >= 0 {
		e := c.Table.Entries[i]
		start, size = e.First*c.SectorBytes, (e.Last-e.First+1)*c.SectorBytes
	}
	return io.NewSectionReader(r, int64(start), int64(size)), start, size
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
