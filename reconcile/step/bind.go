package step

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

const bindTakes = 2 * time.Second

// TakeBack sees that a controller comes home after its guest has let go, and
// binds it to the host's driver where libvirt has left it on VFIO.
type TakeBack struct {
	Controller facts.Identity `json:"controller"`
	Limit      time.Duration  `json:"limit_ns"`        // the layout's return limit
	Idle       bool           `json:"idle,omitempty"`  // it was on VFIO with no guest when the order was written
	Guest      string         `json:"guest,omitempty"` // who has it now
	// Out are those functions of a whole slot that were on VFIO with no guest; empty:
	// all of the controller's.
	Out []facts.Address `json:"out,omitempty"`
	// Shown is what the rules have of it at home: it is not back before it shows that
	// again.
	Shown []guard.Shown `json:"shown,omitempty"`
}

// About implements Step. A controller that was lent goes back by itself when its
// guest starts again.
func (s *TakeBack) About() About {
	name := s.Controller.Controller
	a := About{Kind: "take back", Risk: Safe, Takes: bindTakes, Within: s.Limit,
		Needs: []Condition{controllerIs(name, "let go")}, Gives: []Condition{controllerIs(name, "home")}, Recovers: &s.Controller}
	if s.Guest != "" {
		a.Needs = append(a.Needs, guestIs(s.Guest, "off"))
	}
	if s.Idle {
		a.Does, a.Undoes = "take back "+name+" from VFIO to the host's driver", "put "+name+" on VFIO again"
	} else {
		a.Does = "take back " + name + " from guest " + s.Guest
	}
	return a
}

// Details tells what it has to show.
func (s *TakeBack) Details() []Detail {
	return details("back", guard.ShownWords(s.Controller, s.Shown))
}

func (s *TakeBack) Ready(ix *facts.Index) error {
	if where, _, holder := ix.Where(s.Controller); where == facts.Lent {
		return fmt.Errorf("take back %s: guest %s holds it", s.Controller.Controller, holder.Name)
	}
	return nil
}

func (s *TakeBack) MayUndo(ix *facts.Index) error {
	if !s.Idle {
		return nil
	}
	return unusedAt(ix, s.Controller)
}

func (s *TakeBack) Stands(ix *facts.Index) (Standing, string) {
	where, _, _ := ix.Where(s.Controller)
	seen := fmt.Sprintf("%s is %s", s.Controller.Controller, where)
	switch where {
	case facts.Home:
		return s.home(ix, seen)
	case facts.Aside, facts.Lent:
		return Before, seen
	default:
		return Neither, seen
	}
}

// home tells what a controller that is at home does not show, and what is left to do
// there.
func (s *TakeBack) home(ix *facts.Index, seen string) (Standing, string) {
	back := guard.AsShown(ix, s.Controller, s.Shown)
	if lacks := back.Lacks(); len(lacks) > 0 {
		return Neither, seen + ", but " + strings.Join(lacks, "; ")
	}
	return After, strings.Join(slices.Concat([]string{seen}, back.Wrong, back.Owed(), back.Left), "; ")
}

func (s *TakeBack) Do(ctx context.Context, p Ports) error {
	return toHost(ctx, p, s.Controller)
}

func (s *TakeBack) Undo(ctx context.Context, p Ports) error {
	if !s.Idle {
		return nil
	}
	if len(s.Out) > 0 {
		return each(s.Out, func(at facts.Address) error { return p.Functions.ToVFIO(ctx, at) })
	}
	return toVFIO(ctx, p, s.Controller)
}

// Sound implements Checked: only functions of the controller's own are touched.
func (s *TakeBack) Sound() error {
	for _, at := range s.Out {
		if !s.Controller.Has(at) {
			return fmt.Errorf("%s is no function of %s", at, s.Controller.Controller)
		}
	}
	return guard.SoundShown(s.Controller, s.Shown)
}

func toHost(ctx context.Context, p Ports, r facts.Identity) error {
	return each(r.Addresses(), func(at facts.Address) error { return p.Functions.ToHost(ctx, at, "") })
}

func toVFIO(ctx context.Context, p Ports, r facts.Identity) error {
	return each(r.Addresses(), func(at facts.Address) error { return p.Functions.ToVFIO(ctx, at) })
}

// each does the same to functions, one after the other, up to the first that fails.
func each(list []facts.Address, do func(facts.Address) error) error {
	for _, at := range list {
		if err := do(at); err != nil {
			return err
		}
	}
	return nil
}

// SetAside puts a controller that nobody borrows on VFIO, because the kernel
// lends nothing of its IOMMU group while a host driver holds it.
type SetAside struct {
	Controller facts.Identity `json:"controller"`
	For        string         `json:"for"` // the controller that is to be lent
	// Shown is what it showed when the order was written: an undo is not done before it
	// shows that again.
	Shown []guard.Shown `json:"shown,omitempty"`
	// Kept are those functions that had a driver_override: an undo writes it again, unless
	// the kernel would find another driver by it than they had.
	Kept []Kept `json:"kept,omitempty"`
}

// Details tells what an undo waits for, and what it writes again.
func (s *SetAside) Details() []Detail {
	list := guard.ShownWords(s.Controller, s.Shown)
	for _, k := range s.Kept {
		if k.again() {
			list = append(list, fmt.Sprintf("%s gets its driver_override again, %s", k.At, k.Override))
		}
	}
	return details("back", list)
}

// Sound implements Checked: only functions of the controller's own are touched.
func (s *SetAside) Sound() error {
	for _, k := range s.Kept {
		if !s.Controller.Has(k.At) {
			return fmt.Errorf("%s is no function of %s", k.At, s.Controller.Controller)
		}
	}
	return cmp.Or(soundKept(s.Kept), guard.SoundShown(s.Controller, s.Shown))
}

func (s *SetAside) About() About {
	name := s.Controller.Controller
	a := About{Kind: "set aside", Risk: Safe, Takes: bindTakes, Within: 5 * bindTakes,
		Does:   "put " + name + " on VFIO, so that " + s.For + " of the same IOMMU group can be lent",
		Undoes: "give " + name + " back to the host's driver",
		Needs:  []Condition{controllerIs(name, "home")}, Gives: []Condition{controllerIs(name, "aside")}}
	for _, k := range s.Kept {
		if !k.again() {
			a.lost(k)
		}
	}
	return a
}

func (s *SetAside) Ready(ix *facts.Index) error {
	return unusedAt(ix, s.Controller)
}

func (s *SetAside) MayUndo(*facts.Index) error { return nil }

func (s *SetAside) Stands(ix *facts.Index) (Standing, string) {
	where, _, _ := ix.Where(s.Controller)
	seen := fmt.Sprintf("%s is %s", s.Controller.Controller, where)
	switch where {
	case facts.Home:
		if lacks := guard.AsShown(ix, s.Controller, s.Shown).Lacks(); len(lacks) > 0 {
			return Neither, seen + ", but " + strings.Join(lacks, "; ")
		}
		for _, k := range s.Kept { // an undo that was cut off; a boot would have cleared driver_override
			if f := ix.Function(k.At); f != nil && k.Driver != "" && k.again() && f.Driver == "" && f.DriverOverride == k.Override {
				return Neither, fmt.Sprintf("%s, but %s has no driver, and had %s before", seen, k.At, k.Driver)
			}
		}
		return Before, seen
	case facts.Aside:
		return After, seen
	default:
		return Neither, seen
	}
}

func (s *SetAside) Do(ctx context.Context, p Ports) error {
	return toVFIO(ctx, p, s.Controller)
}

func (s *SetAside) Undo(ctx context.Context, p Ports) error {
	return each(s.Controller.Addresses(), func(at facts.Address) error {
		override := ""
		if i := slices.IndexFunc(s.Kept, func(k Kept) bool { return k.At == at && k.again() }); i >= 0 {
			override = s.Kept[i].Override
		}
		return p.Functions.ToHost(ctx, at, override)
	})
}

// unusedAt tells whether a controller is home where the record says, with no
// use by the host.
func unusedAt(ix *facts.Index, r facts.Identity) error {
	where, f, _ := ix.Where(r)
	if where != facts.Home || f.Address != r.Address {
		return fmt.Errorf("put %s on VFIO: it is not home at %s", r.Controller, r.Address)
	}
	if made, gap := ix.MakesVirtual(f); made > 0 || gap != nil {
		return fmt.Errorf("put %s on VFIO: it has virtual functions, or may have, and all of them would go offline", r.Controller)
	}
	for _, at := range r.Addresses() {
		if uses := ix.OwnLiveUses(at); len(uses) > 0 {
			return fmt.Errorf("put %s on VFIO: the host uses it: %s", r.Controller, uses[0])
		}
	}
	if why := ix.UnaskedOf(r); why != "" {
		return fmt.Errorf("put %s on VFIO: %s", r.Controller, why)
	}
	return nil
}
