package step

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

const defineTakes = time.Second

// DefineGuest sets a guest's kept definition, or makes a new guest. The order
// holds what the layout states; the definition that libvirt is given is derived
// from it and from the one that was found.
type DefineGuest struct {
	Guest  string            `json:"guest"`
	Before string            `json:"before,omitempty"` // XML as libvirt gave it; empty: the guest is new
	Wanted definition.Wanted `json:"wanted"`           // by which the result is judged as well
}

// After gives the XML that libvirt is given, and what that changes, for people.
func (s *DefineGuest) After() (xml string, changes []string, err error) {
	if s.Before == "" {
		return definition.Create(s.Wanted)
	}
	becomes, changes, err := definition.Become(s.Before, s.Wanted)
	return becomes.XML, changes, err
}

// Sound refuses what no definition can be made of, or one of another guest.
func (s *DefineGuest) Sound() error {
	xml, _, err := s.After()
	if err != nil {
		return err
	}
	if name, _, err := definition.Names(xml); err != nil || name != s.Guest {
		return fmt.Errorf("its definition is not of guest %s", s.Guest)
	}
	return nil
}

// Details tells what changes.
func (s *DefineGuest) Details() []Detail {
	_, changes, _ := s.After() // Sound has said so
	return details("change", changes)
}

func (s *DefineGuest) About() About {
	a := About{Kind: "define guest", Risk: Safe, Takes: defineTakes, Within: defineTakes,
		Does:   "change the definition of guest " + s.Guest,
		Undoes: "give guest " + s.Guest + " its old definition back",
		Needs:  []Condition{guestIs(s.Guest, "off")}, Gives: []Condition{definitionIs(s.Guest, "as planned")}}
	if s.Before == "" {
		a.Does, a.Undoes = "create guest "+s.Guest, "remove the definition of guest "+s.Guest+"; images stay"
	}
	for _, b := range s.Wanted.Borrows {
		if b.ROM != "" {
			a.Needs = append(a.Needs, romIs(b.ROM, "in place"))
		}
		if b.Shim != nil {
			a.Needs = append(a.Needs, shimIs(b.Shim.Path, "in place"))
		}
	}
	return a
}

// Ready refuses another QEMU for a new guest than this host's libvirt takes by itself:
// the order of another machine may name any program.
func (s *DefineGuest) Ready(ix *facts.Index) error {
	if runs := s.Wanted.Emulator; s.Before == "" && runs != "" && runs != ix.Survey.Libvirt.Emulator {
		return fmt.Errorf("define guest %s: it would run %s, and libvirt here takes %s; plan again", s.Guest, runs, cmp.Or(ix.Survey.Libvirt.Emulator, "none that is known"))
	}
	return off(ix, s.Guest, "define")
}

// off refuses a deed while a guest runs.
func off(ix *facts.Index, guest, deed string) error {
	if g := ix.Guest(guest); g != nil && g.Running {
		return fmt.Errorf("%s guest %s: it is %s", deed, guest, g.Condition)
	}
	return nil
}

func (s *DefineGuest) MayUndo(ix *facts.Index) error { return off(ix, s.Guest, "define") }

// Stands compares the whole text with the old definition, but only what the
// layout states with the new one: libvirt rewrites what it is given.
func (s *DefineGuest) Stands(ix *facts.Index) (Standing, string) {
	g := ix.Guest(s.Guest)
	switch {
	case g == nil && s.Before == "":
		return Before, "libvirt knows no guest " + s.Guest
	case g == nil:
		return Neither, "libvirt knows no guest " + s.Guest
	case g.Kept == nil:
		return Neither, s.Guest + " has no kept definition"
	case s.Before != "" && definition.Same(g.Kept.XML, s.Before):
		return Before, s.Guest + " has its old definition"
	}
	_, changes, err := definition.Edit(g.Kept.XML, s.Wanted)
	switch {
	case err != nil:
		return Neither, err.Error()
	case len(changes) > 0:
		return Neither, s.Guest + " has neither the old nor the planned definition: " + changes[0]
	default:
		return After, s.Guest + " is defined as planned"
	}
}

func (s *DefineGuest) Do(ctx context.Context, p Ports) error {
	xml, _, err := s.After()
	if err != nil {
		return fmt.Errorf("define guest %s: %w", s.Guest, err)
	}
	return p.Guests.Define(ctx, xml)
}

func (s *DefineGuest) Undo(ctx context.Context, p Ports) error {
	if s.Before == "" {
		return p.Guests.Undefine(ctx, s.Guest)
	}
	return p.Guests.Define(ctx, s.Before)
}

// RetireGuest removes a guest's definition. Its images stay.
type RetireGuest struct {
	Guest     string `json:"guest"`
	Before    string `json:"before"` // XML as libvirt gave it
	Autostart bool   `json:"autostart,omitempty"`
}

func (s *RetireGuest) About() About {
	return About{Kind: "retire guest", Risk: Safe, Takes: defineTakes, Within: defineTakes,
		Does:   "remove the definition of guest " + s.Guest + "; images stay",
		Undoes: "define guest " + s.Guest + " as it was",
		Needs:  []Condition{guestIs(s.Guest, "off")}, Gives: []Condition{definitionIs(s.Guest, "none")}}
}

func (s *RetireGuest) Ready(ix *facts.Index) error {
	return off(ix, s.Guest, "retire")
}

func (s *RetireGuest) MayUndo(*facts.Index) error { return nil }

func (s *RetireGuest) Stands(ix *facts.Index) (Standing, string) {
	switch g := ix.Guest(s.Guest); {
	case g == nil:
		return After, "libvirt knows no guest " + s.Guest
	case g.Kept != nil && definition.Same(g.Kept.XML, s.Before) && g.Autostart == s.Autostart:
		return Before, s.Guest + " has its old definition"
	default:
		return Neither, s.Guest + " has another definition than the order was written for"
	}
}

func (s *RetireGuest) Do(ctx context.Context, p Ports) error { return p.Guests.Undefine(ctx, s.Guest) }

func (s *RetireGuest) Undo(ctx context.Context, p Ports) error {
	if err := p.Guests.Define(ctx, s.Before); err != nil || !s.Autostart {
		return err
	}
	return p.Guests.Autostart(ctx, s.Guest, true)
}
