package step

import (
	"context"
	"fmt"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
)

// PlaceShim builds a guest's shim disk from a donor's parts and puts it where
// QEMU may read it. What it will hold is bound by the parts' sha256 and by the
// partition that it starts from.
type PlaceShim struct {
	Controller facts.Record `json:"controller"`
	Donor      string       `json:"donor"`        // path of a firmware image
	DonorSum   string       `json:"donor_sha256"` // of the donor that the order was written for
	Shim       facts.Shim   `json:"shim"`
	Copied     bool         `json:"copied,omitempty"` // a step of the order brings the partition that it starts from
}

// Kind implements Step, as do the methods below.
func (s *PlaceShim) Kind() string { return "place shim" }

// Does implements Step.
func (s *PlaceShim) Does() string {
	return "build the shim disk of " + s.Controller.Controller + " from " + s.Donor + ", as " + s.Shim.Path + ", " + s.starts()
}

// starts says what the disk will start.
func (s *PlaceShim) starts() string {
	if s.Shim.From == (facts.SystemPartition{}) {
		return "to start the first system of the lent drives"
	}
	return fmt.Sprintf("to start from partition %d (%s)", s.Shim.From.Number, s.Shim.From.ID)
}

// Undoes implements Step.
func (s *PlaceShim) Undoes() string { return "remove " + s.Shim.Path }

// Risk implements Step.
func (s *PlaceShim) Risk() Risk { return Safe }

// Takes implements Step.
func (s *PlaceShim) Takes() time.Duration { return romTakes }

// Within implements Step.
func (s *PlaceShim) Within() time.Duration { return romWithin }

// Needs implements Step.
func (s *PlaceShim) Needs() []Fact {
	return []Fact{shimIs(s.Shim.Path, "absent"), {"firmware " + s.Donor, "as planned"}}
}

// Gives implements Step.
func (s *PlaceShim) Gives() []Fact { return []Fact{shimIs(s.Shim.Path, "in place")} }

// Ready refuses another donor than the order was approved with, and a partition
// that has moved: the disk knows it by its place too.
func (s *PlaceShim) Ready(ix *facts.Index) error {
	if donor := ix.Image(s.Donor); donor == nil || donor.SHA256 != s.DonorSum {
		return fmt.Errorf("build shim disk: %s is not the donor that the order was written for; plan again", s.Donor)
	}
	where, f, _ := ix.Where(s.Controller)
	if s.Shim.From != (facts.SystemPartition{}) && !s.Copied && where == facts.Home && !slices.Contains(ix.SystemPartitions(f.Address), s.Shim.From) {
		return fmt.Errorf("build shim disk: partition %s of %s is not where it was; plan again", s.Shim.From.ID, s.Controller.Controller)
	}
	return nil
}

// MayUndo refuses to remove a disk that a guest's definition names: QEMU does
// not start without it.
func (s *PlaceShim) MayUndo(ix *facts.Index) error {
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			if slices.ContainsFunc(d.Disks, func(disk facts.Disk) bool { return disk.Source == s.Shim.Path }) {
				return fmt.Errorf("remove %s: guest %s has it in its definition", s.Shim.Path, g.Name)
			}
		}
	}
	return nil
}

// Stands implements Step.
func (s *PlaceShim) Stands(ix *facts.Index) (Standing, string) {
	switch placed := ix.Shim(s.Shim.Path); {
	case placed == nil && ix.Survey.ShimGap != "":
		return Neither, facts.ShimFolder + " cannot be used: " + ix.Survey.ShimGap
	case placed == nil:
		return Before, "nothing is at " + s.Shim.Path
	case placed.Shim == s.Shim && placed.Why == "":
		return After, s.Shim.Path + " is the shim disk that was planned"
	default:
		return Neither, s.Shim.Path + " is another file than was planned"
	}
}

// Do implements Step.
func (s *PlaceShim) Do(ctx context.Context, p Ports) error {
	return p.ROMs.PlaceShim(ctx, s.Shim, s.Donor, s.DonorSum)
}

// Undo implements Step.
func (s *PlaceShim) Undo(ctx context.Context, p Ports) error {
	return p.ROMs.RemoveShim(ctx, s.Shim.Path)
}

func shimIs(path, value string) Fact { return Fact{"shim " + path, value} }
