package windows

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/formats/blocks"
	"lendkeep/reconcile/facts"
)

// Look looks for an installed Windows on a disk of which the table and the volumes
// are known already. Nil: there is none. While its volume or registry is not clean,
// what was seen is told, but not known. Which of several is started nobody knows
// here.
func Look(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed {
	if c.Unfinished != "" || c.Table == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	found := lookAt(&blocks.Reader{Ctx: ctx, R: r, Bytes: c.SizeBytes, Most: readMost}, c)
	if err := ctx.Err(); err != nil { // what was not looked at in time may be another system
		return &facts.Installed{Gap: fmt.Sprintf("looking for a Windows was given up: %v", err)}
	}
	return found
}

// lookWithin bounds how long one disk is looked into: of what is read once, much may be
// asked for again and again.
const lookWithin = time.Minute

func lookAt(little io.ReaderAt, c *facts.Content) *facts.Installed {
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
		start, size = c.Table.Entries[i].Span(c.SectorBytes)
	}
	return io.NewSectionReader(r, int64(start), int64(size)), start, size
}

// readMost bounds what is read of one disk to look for systems, in bytes: some times
// what a large registry takes.
const readMost = 64 << 20
