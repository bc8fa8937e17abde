package step

import (
	"context"
	"fmt"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
)

const (
	romTakes  = 2 * time.Second // a donor is unpacked once
	romWithin = 5 * time.Second
)

// PlaceROM builds a controller's option ROM from a donor's driver and puts it
// where QEMU may read it. What it will hold is bound by the driver's sha256.
type PlaceROM struct {
	Controller string    `json:"controller"`
	Donor      string    `json:"donor"`        // path of a firmware image
	DonorSum   string    `json:"donor_sha256"` // of the donor that the order was written for
	ROM        facts.ROM `json:"rom"`
}

// Kind implements Step, as do the methods below.
func (s *PlaceROM) Kind() string { return "place rom" }

// Does implements Step.
func (s *PlaceROM) Does() string {
	return "build the option ROM of " + s.Controller + " from " + s.Donor + ", as " + s.ROM.Path
}

// Undoes implements Step.
func (s *PlaceROM) Undoes() string { return "remove " + s.ROM.Path }

// Risk implements Step.
func (s *PlaceROM) Risk() Risk { return Safe }

// Takes implements Step.
func (s *PlaceROM) Takes() time.Duration { return romTakes }

// Within implements Step.
func (s *PlaceROM) Within() time.Duration { return romWithin }

// Needs implements Step.
func (s *PlaceROM) Needs() []Fact {
	return []Fact{romIs(s.ROM.Path, "absent"), {"firmware " + s.Donor, "as planned"}}
}

// Gives implements Step.
func (s *PlaceROM) Gives() []Fact { return []Fact{romIs(s.ROM.Path, "in place")} }

// Ready refuses another donor than the order was approved with.
func (s *PlaceROM) Ready(ix *facts.Index) error {
	if donor := ix.Image(s.Donor); donor == nil || donor.SHA256 != s.DonorSum {
		return fmt.Errorf("build option ROM: %s is not the donor that the order was written for; plan again", s.Donor)
	}
	return nil
}

// MayUndo refuses to remove a ROM that a guest's definition names: QEMU does
// not start without it.
func (s *PlaceROM) MayUndo(ix *facts.Index) error {
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		named := func(l facts.Lent) bool { return l.ROM == s.ROM.Path }
		if g.Kept != nil && slices.ContainsFunc(g.Kept.Lent, named) {
			return fmt.Errorf("remove %s: guest %s has it in its definition", s.ROM.Path, g.Name)
		}
	}
	return nil
}

// Stands implements Step.
func (s *PlaceROM) Stands(ix *facts.Index) (Standing, string) {
	switch placed := ix.ROM(s.ROM.Path); {
	case ix.Survey.ROMGap != "":
		return Neither, facts.ROMFolder + " cannot be read: " + ix.Survey.ROMGap
	case placed == nil:
		return Before, "nothing is at " + s.ROM.Path
	case placed.ROM == s.ROM && placed.Why == "":
		return After, s.ROM.Path + " is the option ROM that was planned"
	default:
		return Neither, s.ROM.Path + " is another file than was planned"
	}
}

// Do implements Step.
func (s *PlaceROM) Do(ctx context.Context, p Ports) error {
	return p.ROMs.PlaceROM(ctx, s.ROM, s.Donor, s.DonorSum)
}

// Undo implements Step.
func (s *PlaceROM) Undo(ctx context.Context, p Ports) error {
	return p.ROMs.RemoveROM(ctx, s.ROM.Path)
}

func romIs(path, value string) Fact { return Fact{"rom " + path, value} }
