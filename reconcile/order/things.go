package order

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// thingKind is what there is to say of a kind of thing.
type thingKind struct {
	// first gives the value that such a thing has on the host as it was surveyed;
	// nil for what orders rely on only.
	first func(p *planner, name string) string
	// read reads the facts that an order relies on for it.
	read func(r reader, name string)
	// under, instead of read, gives the thing whose facts are relied on.
	under func(name string) step.Thing
	// starts says which starts a change of it affects; the guard is told of them
	// while an order is carried out.
	starts starts
}

// starts says which starts of guests a change of a thing affects.
type starts int

// The zero value is of a kind of which nobody has said it.
const (
	unaffected starts = iota + 1 // none
	ofGuest                      // those of the guest of its name
	atPlace                      // those of guests on what is mounted at its name
)

// things has every kind of thing that steps need and give (step/thing.go), and
// those that orders rely on besides. Of any other nothing is taken for granted:
// it is an error.
var things = map[string]thingKind{
	"host":    {starts: unaffected, read: func(r reader, _ string) { r.host() }},
	"path":    {starts: unaffected, read: reader.path},
	"pins":    {starts: unaffected, read: func(r reader, _ string) { r.pins() }},
	"libvirt": {starts: unaffected, read: func(r reader, _ string) { r.each("offers", r.ix.Survey.Libvirt.Offers) }},

	"guard": {starts: unaffected, first: always("as planned"), read: func(r reader, _ string) { r.each("", r.ix.Survey.Guard) }},
	"watch": {starts: unaffected, first: always("as planned"), read: func(r reader, _ string) { r.each("", r.ix.Survey.Watch) }},

	"guest":      {starts: ofGuest, first: (*planner).runs, read: reader.guest},
	"definition": {starts: ofGuest, first: always("as planned"), read: reader.definition},
	"controller": {starts: unaffected, first: (*planner).whereabouts, read: reader.controller},
	"mount":      {starts: atPlace, first: (*planner).mounted, read: reader.mount},
	"image":      {starts: unaffected, first: always("as planned"), read: reader.image},

	"question": {starts: unaffected, first: always("as seen"), read: reader.question},

	// What is on a drive is a matter of its controller.
	"system": {starts: unaffected, first: always("as copied"), under: controllerNamed},
	"drive":  {starts: unaffected, first: (*planner).drive, under: controllerNamed},
	"filesystem": {starts: unaffected, first: always("absent"), under: func(name string) step.Thing {
		controller, _, _ := strings.Cut(name, " ")
		return controllerNamed(controller)
	}},

	// How many there are of each is a fact of the host. A guest that finds too few
	// does not start.
	"pages": {starts: unaffected, first: always("as before"), under: func(string) step.Thing { return step.Thing{Kind: "host"} }},

	// How many there are is a fact of the controller that makes them. Who borrows one is
	// not started by the same order.
	"virtuals": {starts: unaffected, first: always("as before"), under: controllerNamed},

	"made": {starts: unaffected, first: (*planner).made, read: reader.made},

	"firmware":  {starts: unaffected, first: always("as planned"), read: func(r reader, name string) { one(r, "", r.ix.Image(name)) }},
	"rom":       {starts: unaffected, first: inPlace((*facts.Index).ROM), read: func(r reader, name string) { one(r, "", r.ix.ROM(name)) }},
	"shim":      {starts: unaffected, first: inPlace((*facts.Index).Shim), read: func(r reader, name string) { one(r, "", r.ix.Shim(name)) }},
	"variables": {starts: unaffected, first: always("as before"), read: func(r reader, name string) { one(r, "", r.ix.Store(name)); r.variables(name) }},

	// What somebody confirms is asked for and checked when its step comes.
	"confirmation": {starts: unaffected, first: always("not given"), read: func(reader, string) {}},
}

func controllerNamed(name string) step.Thing { return step.Thing{Kind: "controller", Name: name} }

// initially gives the value that a thing of needs and gives has on the host as
// it was surveyed.
func (p *planner) initially(of step.Thing) (string, error) {
	kind := things[of.Kind]
	if kind.first == nil {
		return "", fmt.Errorf("nobody knows how %q stands at first", of)
	}
	return kind.first(p, of.Name), nil
}

// subject gives what the facts about a thing of the steps' needs are listed
// under.
func subject(of step.Thing) step.Thing {
	if under := things[of.Kind].under; under != nil {
		return under(of.Name)
	}
	return of
}

func always(value string) func(*planner, string) string {
	return func(*planner, string) string { return value }
}

func inPlace[T any](at func(*facts.Index, string) *T) func(*planner, string) string {
	return func(p *planner, path string) string {
		if at(p.c.Facts, path) != nil {
			return "in place"
		}
		return "absent"
	}
}

func (p *planner) runs(guest string) string {
	if p.c.RunsNow(guest) {
		return "on"
	}
	return "off"
}

func (p *planner) mounted(path string) string {
	if p.c.Facts.MountAt(path) != nil {
		return "mounted"
	}
	return "absent"
}

func (p *planner) whereabouts(controller string) string {
	found := p.c.Found(controller)
	switch found.Where {
	case facts.Lent:
		return "lent to " + found.Holder.Name
	case facts.Aside:
		if p.c.KeptAside(found) != "" {
			return "aside"
		}
		return "let go"
	default:
		return string(found.Where)
	}
}

// drive gives a drive's value before any step; what is not known to be blank is
// as it was found.
func (p *planner) drive(controller string) string {
	if f := p.c.Filling(controller); f.Content != nil && f.Content.Blank {
		return "blank"
	}
	return "as found"
}
