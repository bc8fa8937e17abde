package step

import (
	"context"

	"lendkeep/reconcile/facts"
)

// PlaceROM builds a controller's option ROM from a donor's driver and puts it
// where QEMU may read it. What it will hold is bound by the driver's sha256.
type PlaceROM struct {
	Controller string    `json:"controller"`
	Donor      string    `json:"donor"`        // path of a firmware image
	DonorSum   string    `json:"donor_sha256"` // of the donor that the order was written for
	ROM        facts.ROM `json:"rom"`
}

// Places implements Placer.
func (s *PlaceROM) Places() facts.Aid { return s.ROM }

func (s *PlaceROM) placing() placing {
	return placing{s.ROM, romIs, s.Controller, s.Donor, s.DonorSum}
}

func (s *PlaceROM) About() About { return s.placing().about("place rom") }

func (s *PlaceROM) Ready(ix *facts.Index) error { return s.placing().ready(ix) }

func (s *PlaceROM) MayUndo(ix *facts.Index) error { return s.placing().mayUndo(ix) }

func (s *PlaceROM) Stands(ix *facts.Index) (Standing, string) { return s.placing().stands(ix) }

func (s *PlaceROM) Do(ctx context.Context, p Ports) error {
	return p.BootAids.PlaceAid(ctx, s.ROM, s.Donor, s.DonorSum)
}

func (s *PlaceROM) Undo(ctx context.Context, p Ports) error {
	return p.BootAids.RemoveAid(ctx, s.ROM)
}
