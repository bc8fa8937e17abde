package page

import (
	"reflect"
	"strings"
	"time"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// Order is an order, and the places that it changes as they are and as they will be.
type Order struct {
	Code      string
	Shift     string // empty: for none
	Takes     string
	Downtimes []string
	Erases    []string // serials of drives
	Steps     []Step
	Changes   []Change
	Alike     []Mention // places that it touches and that look the same after
	Others    []Mention // places that it touches and that are not drawn, as there are too many
}

// Step is a step of an order.
type Step struct {
	ID         string
	Number     int
	Does       string
	Undoes     string
	Risk       string
	Takes      string
	Stated     string
	Details    []step.Detail
	Places     []Mention
	Difference []string // of a definition, line by line as show --xml has it
}

// Change is a place that an order changes; one of each pair is nil where it is not
// there then.
type Change struct {
	Title                       string
	FunctionBefore, FunctionNow *Function
	GuestBefore, GuestNow       *Guest
}

// places gives where a step acts, by what it gives.
func (d *drawing) places(s step.Step) []Mention {
	var list []Mention
	add := func(m Mention) {
		if m.To != "" && !leadsThere(list, m.To) {
			list = append(list, m)
		}
	}
	for _, given := range s.About().Gives {
		add(d.placeOf(given.Of))
	}
	switch s := s.(type) { // what they give says less than they are
	case *step.ByHand:
		add(d.guestMention(s.Guest))
	case *step.WriteEntry:
		add(d.guestMention(s.Guest))
	case *step.CopyBack:
		add(d.guestMention(s.Guest))
		add(d.ofLayout(s.Controller.Controller))
	case *step.KeepPages:
		for _, guest := range s.Guests {
			add(d.guestMention(guest))
		}
	case *step.PlaceROM:
		add(d.ofLayout(s.Controller))
	case *step.PlaceShim:
		add(d.ofLayout(s.Controller.Controller))
	}
	if len(list) == 0 {
		list = []Mention{d.hostMention()}
	}
	return list
}

// placeOf gives the place of a thing; none where that is no place of its own.
func (d *drawing) placeOf(thing step.Thing) Mention {
	switch thing.Kind {
	case "guest", "definition":
		return d.guestMention(thing.Name)
	case "controller", "drive", "filesystem", "system", "virtuals":
		name, _, _ := strings.Cut(thing.Name, " ") // of a filesystem the partition follows
		return d.ofLayout(name)
	case "mount":
		for _, c := range d.c.Layout.Controllers {
			for _, m := range c.Return.Mounts {
				if m.Path == thing.Name {
					return d.controller(c.Name)
				}
			}
		}
	}
	return Mention{}
}

// ofLayout is controller for a name that an order has.
func (d *drawing) ofLayout(name string) Mention {
	if d.c.Layout.Controller(name) == nil {
		return Mention{}
	}
	return d.controller(name)
}

func (d *drawing) markSteps(sealed *order.Sealed) {
	if sealed == nil {
		return
	}
	for i, w := range sealed.Order.Steps {
		for _, place := range d.places(w.Step) {
			d.mark(place.To, Mark{markStep, i + 1, w.Step.About().Does, stepID(i + 1)})
		}
	}
}

func (d *drawing) order(g Given) *Order {
	if g.Order == nil {
		return nil
	}
	o := g.Order.Order
	drawn := &Order{Code: g.Order.Code(), Shift: o.Shift, Takes: round(o.Takes()), Erases: o.Erases()}
	for _, down := range o.Downtimes() {
		drawn.Downtimes = append(drawn.Downtimes, down.String())
	}
	touched := map[string]bool{}
	for i, w := range o.Steps {
		s := d.step(i+1, w)
		for _, place := range s.Places {
			touched[place.To] = true
		}
		drawn.Steps = append(drawn.Steps, s)
	}
	if g.After != nil {
		d.changes(drawn, g, touched)
	}
	return drawn
}

func (d *drawing) step(number int, w step.Written) Step {
	about := w.Step.About()
	s := Step{ID: stepID(number), Number: number, Does: about.Does, Undoes: about.Undoes, Risk: string(about.Risk), Takes: round(about.Takes),
		Stated: w.Why.String(), Places: d.places(w.Step)}
	if detailed, ok := w.Step.(step.Detailed); ok {
		s.Details = detailed.Details()
	}
	if define, ok := w.Step.(*step.DefineGuest); ok {
		after, _, _ := define.After() // an order whose definition cannot be made is not opened
		s.Difference = definition.Difference(define.Before, after)
	}
	return s
}

func round(d time.Duration) string { return d.Round(time.Second).String() }

// changes draws each place that an order touches as it is, and as it is on the copy of
// the host on which the order was carried out.
func (d *drawing) changes(drawn *Order, g Given, touched map[string]bool) {
	before, after := newDrawing(g.Case, "before-"), newDrawing(assess.NewCase(g.Case.Layout, g.After, g.Case.Shift), "after-")
	before.markSteps(g.Order)
	after.marks = before.marks
	for _, c := range g.Case.Layout.Controllers {
		place := d.controller(c.Name)
		if touched[place.To] {
			change := Change{Title: "controller " + c.Name, FunctionBefore: before.found(c.Name), FunctionNow: after.found(c.Name)}
			drawn.change(change, place, alike(change.FunctionBefore, change.FunctionNow))
		}
	}
	for _, name := range d.guestNames() {
		place := d.guestMention(name)
		if touched[place.To] {
			change := Change{Title: "guest " + name, GuestBefore: before.known(name), GuestNow: after.known(name)}
			drawn.change(change, place, alike(change.GuestBefore, change.GuestNow))
		}
	}
}

// mostChanges is how many places are drawn twice: of more nobody sees what changes.
const mostChanges = 24

func (o *Order) change(c Change, place Mention, alike bool) {
	switch {
	case alike:
		o.Alike = append(o.Alike, place)
	case len(o.Changes) == mostChanges:
		o.Others = append(o.Others, place)
	default:
		o.Changes = append(o.Changes, c)
	}
}

// found draws a controller of the layout; nil where it was not found.
func (d *drawing) found(name string) *Function {
	f := d.c.Found(name).Function
	if f == nil {
		return nil
	}
	drawn := d.function(f)
	return &drawn
}

// known draws a guest; nil where libvirt does not know it.
func (d *drawing) known(name string) *Guest {
	if d.ix.Guest(name) == nil {
		return nil
	}
	drawn := d.guest(name)
	return &drawn
}

// alike tells whether two pictures differ in nothing but the IDs of their places.
func alike[T Function | Guest](a, b *T) bool {
	if a == nil || b == nil {
		return a == b
	}
	x, y := reflect.ValueOf(*a), reflect.ValueOf(*b)
	for i := range x.NumField() {
		if x.Type().Field(i).Name != "ID" && x.Field(i).CanInterface() && !reflect.DeepEqual(x.Field(i).Interface(), y.Field(i).Interface()) {
			return false
		}
	}
	return true
}
