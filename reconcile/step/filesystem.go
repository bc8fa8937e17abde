package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

const (
	formatTakes  = 10 * time.Second
	formatWithin = 15 * time.Second
)

// MakeFilesystem makes a filesystem on a partition of a drive.
type MakeFilesystem struct {
	Target
	Partition facts.Entry         `json:"partition"`
	Made      facts.NewFilesystem `json:"made"`
	Added     bool                `json:"added,omitempty"` // an earlier step adds the partition
	Over      bool                `json:"over,omitempty"`  // erasing the drive was approved: what lies there goes
}

func (s *MakeFilesystem) About() About {
	a := About{Kind: "make filesystem", Risk: Safe, Takes: formatTakes, Within: formatWithin,
		Does:   fmt.Sprintf("make a filesystem (%s) on partition %s of %s", s.Made.Kind, s.Partition.Name, s.title()),
		Undoes: "take the filesystem's signature away; files written to it since are lost",
		Needs:  []Condition{driveIs(s.name(), "as found"), controllerIs(s.name(), "home")},
		Gives:  []Condition{filesystemIs(s.name(), s.Partition.Name, "made")},
		Erases: s.erased(s.Over), UndoErases: s.Drive.Serial}
	if s.Added {
		a.Needs[0] = driveIs(s.name(), "filled")
	} else if s.Over {
		a.Risk = Erases
	}
	return a
}

func (s *MakeFilesystem) Ready(ix *facts.Index) error { return s.unused(ix) }

// Stands implements Step. Both the drive's bytes and udev's record count: a
// mount goes by the second.
func (s *MakeFilesystem) Stands(ix *facts.Index) (Standing, string) {
	b, content, err := s.look(ix)
	if err != nil {
		return Neither, err.Error()
	}
	v := content.Volume(s.Partition.Number)
	switch {
	case content.Signature != nil:
		return Neither, s.title() + " holds " + content.Describe()
	case content.Table == nil || content.Table.Entry(s.Partition.Name) == nil:
		if s.Added {
			return Before, "partition " + s.Partition.Name + " is not there yet"
		}
		return Neither, "partition " + s.Partition.Name + " is gone"
	case v == nil || v.Gap != "":
		return Neither, "what is on partition " + s.Partition.Name + " is not known"
	case v.Signature == nil:
		return Before, "partition " + s.Partition.Name + " holds nothing known"
	case v.Signature.Kind != s.Made.Kind || v.Signature.UUID != s.Made.UUID:
		if s.Over {
			return Before, "partition " + s.Partition.Name + " still holds " + v.Signature.Kind
		}
		return Neither, fmt.Sprintf("partition %s holds another filesystem (%s %s)", s.Partition.Name, v.Signature.Kind, v.Signature.UUID)
	}
	for _, part := range ix.Partitions(b.Name) {
		if part.Partition != nil && part.Partition.Number == s.Partition.Number && part.Signature != nil && part.Signature.UUID == s.Made.UUID {
			return After, fmt.Sprintf("partition %s holds %s", s.Partition.Name, s.Made.Kind)
		}
	}
	return Neither, "udev does not show the filesystem on partition " + s.Partition.Name + " yet"
}

func (s *MakeFilesystem) Do(ctx context.Context, p Ports) error {
	return p.Drives.MakeFilesystem(ctx, s.Drive, s.Partition, s.Made, s.Over)
}

func (s *MakeFilesystem) Undo(ctx context.Context, p Ports) error {
	return s.undo(ctx, p, func() error { return p.Drives.ClearFilesystem(ctx, s.Drive, s.Partition, s.Made) })
}
