package step

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// Virtuals sets how many virtual functions (SR-IOV) a function has.
type Virtuals interface {
	// MakeVirtual has a function make that many. Where it has another number all of
	// them go first; where it fails then, none is left.
	MakeVirtual(ctx context.Context, at facts.Address, count int) error
}

// MakeVirtual has a controller make another number of virtual functions.
type MakeVirtual struct {
	Controller facts.Identity `json:"controller"`
	Before     int            `json:"before"` // how many it has now
	After      int            `json:"after"`
}

// Making one takes the kernel some milliseconds, and its driver up to a second
// (common practice).
const (
	virtualTakes  = 2 * time.Second
	virtualWithin = 10 * time.Second
)

// Sound refuses a number that is none, or no change, and what makes none.
func (s *MakeVirtual) Sound() error {
	if s.Before == s.After || min(s.Before, s.After) < 0 || max(s.Before, s.After) > spec.MostVirtual || s.Controller.Whole() || s.Controller.IsVirtual() {
		return fmt.Errorf("%d virtual functions of %s instead of %d are no change that can be made", s.After, s.Controller.Controller, s.Before)
	}
	return nil
}

func (s *MakeVirtual) About() About {
	name := s.Controller.Controller
	a := About{Kind: "make virtual functions", Risk: Safe, Takes: virtualTakes, Within: virtualWithin,
		Does:   fmt.Sprintf("have %s make %s instead of %d", name, plain.Count(s.After, "virtual function"), s.Before),
		Undoes: fmt.Sprintf("have it make %d again", s.Before),
		Needs:  []Condition{controllerIs(name, "home")}, Gives: []Condition{virtualsAre(name, "as planned")}}
	if s.Before > 0 {
		a.Undoes += "; they are new ones, and what was set up of the old ones is lost"
	}
	return a
}

// Details tells what goes, how long it lasts and what comes next.
func (s *MakeVirtual) Details() []Detail {
	var list []Detail
	if s.Before > 0 {
		list = append(list, Detail{"goes", fmt.Sprintf("all %s that it has, since the kernel makes another number only after none", plain.Count(s.Before, "virtual function"))})
	}
	if s.After > 0 {
		list = append(list, Detail{"lasts", "until an order changes it or the host starts anew; after that plan and apply again"},
			Detail{"then", "plan again: which functions they are only the kernel says, and guests that borrow one are left as they are until then"})
	}
	return list
}

// now gives the function that makes them, where it is home.
func (s *MakeVirtual) now(ix *facts.Index) (*facts.Function, error) {
	where, f, _ := ix.Where(s.Controller)
	if where != facts.Home || f.Address != s.Controller.Address {
		return nil, fmt.Errorf("it is not home at %s", s.Controller.Address)
	}
	for _, fact := range []string{"virtual_functions", "most_virtual", "driver"} {
		if gap := f.Gap(fact); gap != nil {
			return nil, fmt.Errorf("%s could not be read: %s", gap.Path, gap.Reason)
		}
	}
	return f, nil
}

// Ready refuses while any of those that go is lent or in use, and what the kernel
// would refuse.
func (s *MakeVirtual) Ready(ix *facts.Index) error { return s.may(ix, s.After) }

// MayUndo is the same of the number before.
func (s *MakeVirtual) MayUndo(ix *facts.Index) error { return s.may(ix, s.Before) }

func (s *MakeVirtual) may(ix *facts.Index, count int) error {
	f, err := s.now(ix)
	if err == nil {
		err = ix.Remakable(f, count)
	}
	if err == nil {
		err = unasked(ix, ix.Virtuals(f.Address))
	}
	if err != nil {
		return fmt.Errorf("have %s make %s: %w", s.Controller.Controller, plain.Count(count, "virtual function"), err)
	}
	return nil
}

// unasked refuses functions of which the kernel was not asked who holds what they have.
func unasked(ix *facts.Index, list []*facts.Function) error {
	for _, f := range list {
		if why := ix.Unasked(f.Address); why != "" {
			return errors.New(why)
		}
	}
	return nil
}

// Stands implements Step. None at all, between two numbers, is neither.
func (s *MakeVirtual) Stands(ix *facts.Index) (Standing, string) {
	f, err := s.now(ix)
	if err != nil {
		return Neither, err.Error()
	}
	text := fmt.Sprintf("%s has %s", s.Controller.Controller, plain.Count(f.Virtual, "virtual function"))
	switch {
	case f.Virtual == s.Before:
		return Before, text
	case f.Virtual == s.After && len(ix.Virtuals(f.Address)) == s.After:
		return After, text
	default:
		return Neither, text
	}
}

func (s *MakeVirtual) Do(ctx context.Context, p Ports) error {
	return p.Virtuals.MakeVirtual(ctx, s.Controller.Address, s.After)
}

func (s *MakeVirtual) Undo(ctx context.Context, p Ports) error {
	return p.Virtuals.MakeVirtual(ctx, s.Controller.Address, s.Before)
}
