// Package system looks for installed systems on a disk of which the table and the
// volumes are known: Look asks those who know one kind each.
package system

import (
	"context"
	"fmt"
	"io"
	"strings"

	"lendkeep/providers/drive/linux"
	"lendkeep/providers/drive/windows"
	"lendkeep/reconcile/facts"
)

// lookers look for an installed system each, on a whole disk. nil: none of theirs is
// there.
var lookers = []func(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed{linux.Look, windows.Look}

// Look gives the system on a disk; nil: none is seen. Which of several is started
// nobody knows here, and what could not be read may be one.
func Look(ctx context.Context, r io.ReaderAt, c *facts.Content) *facts.Installed {
	if c.Unfinished != "" {
		return nil
	}
	var found []*facts.Installed
	var each []string
	for _, look := range lookers {
		i := look(ctx, r, c)
		if i == nil {
			continue
		}
		found = append(found, i)
		switch {
		case i.Kind == "":
			each = append(each, i.Gap)
		case i.Partition == 0:
			each = append(each, i.Kind)
		default:
			each = append(each, fmt.Sprintf("%s on partition %d", i.Kind, i.Partition))
		}
	}
	switch {
	case len(found) == 0:
		return nil
	case c.Table != nil && c.Signature != nil:
		return &facts.Installed{Gap: fmt.Sprintf("the disk as a whole is marked as %s, so that its partitions may not be what they seem", c.Signature.Kind)}
	case len(found) == 1:
		return found[0]
	}
	return &facts.Installed{Gap: "more than one installed system may be on it: " + strings.Join(each, "; ")}
}
