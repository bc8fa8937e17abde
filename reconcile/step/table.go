package step

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// WriteTable writes the partition table of a drive: the backup of a copied
// table goes to the end of the drive, partitions are added in the free space.
// Partitions that were there stay as they are.
type WriteTable struct {
	Target
	Before *facts.Table `json:"before,omitempty"` // nil: the drive is blank
	After  facts.Table  `json:"after"`
	Copied bool         `json:"copied,omitempty"` // Before is what an earlier step copies
	Erased bool         `json:"erased,omitempty"` // an earlier step erases what is on the drive
}

// Sound refuses a table that changes or lacks a partition which was there.
func (s *WriteTable) Sound() error {
	if err := s.Target.Sound(); err != nil {
		return err
	}
	if s.Before == nil {
		return nil
	}
	for _, e := range s.Before.Entries {
		if !slices.Contains(s.After.Entries, e) {
			return fmt.Errorf("partition %d %s would not stay as it is", e.Number, e.Name)
		}
	}
	return nil
}

// changes tells what is written, for people.
func (s *WriteTable) changes() string {
	var list []string
	before := facts.Table{BackupAt: s.After.BackupAt}
	if s.Before != nil {
		before = *s.Before
	}
	if before.BackupAt != s.After.BackupAt {
		list = append(list, "its backup goes to the end of the drive")
	}
	for _, e := range s.After.Entries {
		if !slices.Contains(before.Entries, e) {
			list = append(list, fmt.Sprintf("partition %d %s is added, %s", e.Number, e.Name, facts.Size((e.Last-e.First+1)*s.Drive.SectorBytes)))
		}
	}
	return strings.Join(list, "; ")
}

func (s *WriteTable) About() About {
	a := About{Kind: "write table", Risk: Safe, Takes: tableTakes, Within: driveWithin,
		Does: "write the partition table of " + s.title() + ": " + s.changes(), Undoes: "write the table as it was",
		Needs: []Condition{driveIs(s.name(), "as found"), controllerIs(s.name(), "home")},
		Gives: []Condition{driveIs(s.name(), "filled")}, Erases: s.erased(s.Erased)}
	if s.Before == nil {
		a.Undoes, a.Needs[0].Value = "take the table away again", "blank"
	}
	if s.Copied {
		a.Needs[0].Value = "copied"
	}
	return a
}

// Ready implements Step. A kernel that has a partition in use does not read
// the table anew. On a drive without a table only half of a new one is no
// obstacle, which a cut-off leaves.
func (s *WriteTable) Ready(ix *facts.Index) error {
	_, content, err := s.look(ix)
	if err != nil {
		return err
	}
	if s.Before == nil && content.Table == nil {
		err = s.blank(content, s.Erased)
	} else {
		err = s.plain(content)
	}
	return errors.Join(err, s.unused(ix))
}

// Stands implements Step: both headers must say it, and the kernel must have
// read it.
func (s *WriteTable) Stands(ix *facts.Index) (Standing, string) {
	b, content, err := s.look(ix)
	switch {
	case err != nil:
		return Neither, err.Error()
	case content.Signature != nil:
		return Neither, s.title() + " holds " + content.Describe()
	case same(content.Table, &s.After):
		if missing := unseen(ix, b, s.After); missing != "" {
			return Neither, "the table is written, but the kernel does not show partition " + missing + " yet"
		}
		return After, "the table of " + s.title() + " is as planned"
	case same(content.Table, s.Before) && (s.Before != nil || content.Bare()):
		return Before, s.title() + " holds " + content.Describe()
	default:
		return Neither, s.title() + " holds " + content.Describe() + ", which is neither the table before nor the planned one"
	}
}

func same(a, b *facts.Table) bool {
	if a == nil || b == nil {
		return a == b
	}
	return reflect.DeepEqual(*a, *b)
}

// unseen names a partition of a table that the kernel does not show.
func unseen(ix *facts.Index, drive *facts.Block, t facts.Table) string {
	for _, e := range t.Entries {
		seen := false
		for _, part := range ix.Partitions(drive.Name) {
			p := part.Partition
			seen = seen || p != nil && p.Number == e.Number && p.StartBytes == e.First*drive.SectorBytes &&
				part.SizeBytes == (e.Last-e.First+1)*drive.SectorBytes && (e.ID == "" || p.ID == e.ID)
		}
		if !seen {
			return fmt.Sprintf("%d (%s)", e.Number, e.Name)
		}
	}
	return ""
}

func (s *WriteTable) Do(ctx context.Context, p Ports) error {
	return p.Drives.WriteTable(ctx, s.Drive, s.Before, &s.After, s.Keep)
}

func (s *WriteTable) Undo(ctx context.Context, p Ports) error {
	return s.undo(ctx, p, func() error { return p.Drives.WriteTable(ctx, s.Drive, &s.After, s.Before, s.Keep) })
}
