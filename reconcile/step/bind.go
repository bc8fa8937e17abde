package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

const bindTakes = 2 * time.Second

// TakeBack sees that a controller comes home after its guest has let go, and
// binds it to the host's driver where libvirt has left it on VFIO.
type TakeBack struct {
	Controller facts.Record  `json:"controller"`
	Limit      time.Duration `json:"limit_ns"`        // the layout's return limit
	Idle       bool          `json:"idle,omitempty"`  // it was on VFIO with no guest when the order was written
	Guest      string        `json:"guest,omitempty"` // who has it now
}

// Kind implements Step, as do the methods below.
func (s *TakeBack) Kind() string { return "take back" }

// Does implements Step.
func (s *TakeBack) Does() string {
	if s.Idle {
		return "take back " + s.Controller.Controller + " from VFIO to the host's driver"
	}
	return "take back " + s.Controller.Controller + " from guest " + s.Guest
}

// Undoes implements Step. A controller that was lent goes back by itself when
// its guest starts again.
func (s *TakeBack) Undoes() string {
	if s.Idle {
		return "put " + s.Controller.Controller + " on VFIO again"
	}
	return ""
}

// Risk implements Step.
func (s *TakeBack) Risk() Risk { return Safe }

// Takes implements Step.
func (s *TakeBack) Takes() time.Duration { return bindTakes }

// Within implements Step.
func (s *TakeBack) Within() time.Duration { return s.Limit }

// Needs implements Step.
func (s *TakeBack) Needs() []Fact {
	list := []Fact{controllerIs(s.Controller.Controller, "let go")}
	if s.Guest != "" {
		list = append(list, guestIs(s.Guest, "off"))
	}
	return list
}

// Gives implements Step.
func (s *TakeBack) Gives() []Fact {
	return []Fact{controllerIs(s.Controller.Controller, "home")}
}

// Ready implements Step.
func (s *TakeBack) Ready(ix *facts.Index) error {
	if where, _, holder := ix.Where(s.Controller); where == facts.Away {
		return fmt.Errorf("take back %s: guest %s holds it", s.Controller.Controller, holder.Name)
	}
	return nil
}

// MayUndo implements Step.
func (s *TakeBack) MayUndo(ix *facts.Index) error {
	if !s.Idle {
		return nil
	}
	return unusedAt(ix, s.Controller)
}

// Stands implements Step.
func (s *TakeBack) Stands(ix *facts.Index) (Standing, string) {
	where, _, _ := ix.Where(s.Controller)
	seen := fmt.Sprintf("%s is %s", s.Controller.Controller, where)
	switch where {
	case facts.Home:
		return After, seen
	case facts.Aside, facts.Away:
		return Before, seen
	default:
		return Neither, seen
	}
}

// Do implements Step.
func (s *TakeBack) Do(ctx context.Context, p Ports) error {
	return p.Functions.ToHost(ctx, s.Controller.Address)
}

// Undo implements Step.
func (s *TakeBack) Undo(ctx context.Context, p Ports) error {
	if !s.Idle {
		return nil
	}
	return p.Functions.ToVFIO(ctx, s.Controller.Address)
}

// SetAside puts a controller that nobody borrows on VFIO, because the kernel
// lends nothing of its IOMMU group while a host driver holds it.
type SetAside struct {
	Controller facts.Record `json:"controller"`
	For        string       `json:"for"` // the controller that is to be lent
}

// Kind implements Step, as do the methods below.
func (s *SetAside) Kind() string { return "set aside" }

// Does implements Step.
func (s *SetAside) Does() string {
	return "put " + s.Controller.Controller + " on VFIO, so that " + s.For + " of the same IOMMU group can be lent"
}

// Undoes implements Step.
func (s *SetAside) Undoes() string {
	return "give " + s.Controller.Controller + " back to the host's driver"
}

// Risk implements Step.
func (s *SetAside) Risk() Risk { return Safe }

// Takes implements Step.
func (s *SetAside) Takes() time.Duration { return bindTakes }

// Within implements Step.
func (s *SetAside) Within() time.Duration { return 5 * bindTakes }

// Needs implements Step.
func (s *SetAside) Needs() []Fact {
	return []Fact{controllerIs(s.Controller.Controller, "home")}
}

// Gives implements Step.
func (s *SetAside) Gives() []Fact {
	return []Fact{controllerIs(s.Controller.Controller, "aside")}
}

// Ready implements Step.
func (s *SetAside) Ready(ix *facts.Index) error {
	return unusedAt(ix, s.Controller)
}

// MayUndo implements Step.
func (s *SetAside) MayUndo(*facts.Index) error { return nil }

// Stands implements Step.
func (s *SetAside) Stands(ix *facts.Index) (Standing, string) {
	where, _, _ := ix.Where(s.Controller)
	seen := fmt.Sprintf("%s is %s", s.Controller.Controller, where)
	switch where {
	case facts.Home:
		return Before, seen
	case facts.Aside:
		return After, seen
	default:
		return Neither, seen
	}
}

// Do implements Step.
func (s *SetAside) Do(ctx context.Context, p Ports) error {
	return p.Functions.ToVFIO(ctx, s.Controller.Address)
}

// Undo implements Step.
func (s *SetAside) Undo(ctx context.Context, p Ports) error {
	return p.Functions.ToHost(ctx, s.Controller.Address)
}

// unusedAt tells whether a controller is home where the record says, with no
// use by the host.
func unusedAt(ix *facts.Index, r facts.Record) error {
	where, f, _ := ix.Where(r)
	if where != facts.Home || f.Address != r.Address {
		return fmt.Errorf("put %s on VFIO: it is not home at %s", r.Controller, r.Address)
	}
	if uses := ix.LiveUses(f.Address); len(uses) > 0 {
		return fmt.Errorf("put %s on VFIO: the host uses it: %s", r.Controller, uses[0])
	}
	if why := ix.Unasked(f.Address); why != "" {
		return fmt.Errorf("put %s on VFIO: %s", r.Controller, why)
	}
	return nil
}
