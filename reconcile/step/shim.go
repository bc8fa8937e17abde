package step

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// PlaceShim builds a guest's shim disk from a donor's parts and puts it where
// QEMU may read it. What it will hold is bound by the parts' sha256 and by the
// partition that it starts from.
type PlaceShim struct {
	Controller facts.Identity `json:"controller"`
	Donor      string         `json:"donor"`        // path of a firmware image
	DonorSum   string         `json:"donor_sha256"` // of the donor that the order was written for
	Shim       facts.Shim     `json:"shim"`
	Copied     bool           `json:"copied,omitempty"` // a step of the order brings the partition that it starts from
}

// Places implements Placer.
func (s *PlaceShim) Places() facts.Aid { return s.Shim }

func (s *PlaceShim) placing() placing {
	return placing{s.Shim, shimIs, s.Controller.Controller, s.Donor, s.DonorSum}
}

func (s *PlaceShim) About() About {
	a := s.placing().about("place shim")
	a.Does += ", " + s.starts()
	return a
}

// starts says what the disk will start.
func (s *PlaceShim) starts() string {
	if s.Shim.From == (facts.SystemPartition{}) {
		return "to start the first system of the lent drives"
	}
	return fmt.Sprintf("to start from partition %d (%s)", s.Shim.From.Number, s.Shim.From.ID)
}

// Ready refuses a partition that has moved, too: the disk knows it by its place.
func (s *PlaceShim) Ready(ix *facts.Index) error {
	if err := s.placing().ready(ix); err != nil {
		return err
	}
	where, f, _ := ix.Where(s.Controller)
	if s.Shim.From == (facts.SystemPartition{}) || s.Copied || where != facts.Home {
		return nil
	}
	if there, all := ix.SystemPartitions(f.Address); all && !slices.Contains(there, s.Shim.From) {
		return fmt.Errorf("build shim disk: partition %s of %s is not where it was; plan again", s.Shim.From.ID, s.Controller.Controller)
	}
	return nil
}

func (s *PlaceShim) MayUndo(ix *facts.Index) error { return s.placing().mayUndo(ix) }

func (s *PlaceShim) Stands(ix *facts.Index) (Standing, string) { return s.placing().stands(ix) }

func (s *PlaceShim) Do(ctx context.Context, p Ports) error {
	return p.BootAids.PlaceAid(ctx, s.Shim, s.Donor, s.DonorSum)
}

func (s *PlaceShim) Undo(ctx context.Context, p Ports) error {
	return p.BootAids.RemoveAid(ctx, s.Shim)
}
