package assess

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Case is a layout laid beside the facts of a host, with what both together
// say: which function each controller is, which guests shall run.
type Case struct {
	Layout *spec.Layout
	Facts  *facts.Index
	Shift  *spec.Shift // the shift that is aimed at; nil: guests stay on or off as they are

	stated    map[string]*spec.Guest
	shifting  map[string]bool             // guests that some shift names
	mounts    map[string]*spec.Controller // by where a return rule mounts something of theirs
	inside    map[string][]OnMount        // the same, by each folder above
	found     map[string]Found
	borrowers map[string][]*spec.Guest
	uses      map[facts.Address][]facts.Use
	changes   map[string]Change
	fillings  map[string]Filling
	backs     []Back // nil: not planned yet
	companies map[int]*company
	lent      []Found // controllers that a guest may borrow, those alone
	aside     []Found // those that an order puts on VFIO for their sake
	crews     map[*spec.Shift][]running
	will      map[string]*facts.Definition // of guests, once the order is carried out
	pieces    map[*facts.Definition][]facts.Piece
	seats     map[string]seated        // nil: not computed yet
	reserves  *[]Reserve               // likewise
	loaned    []loan                   // likewise
	meant     map[facts.Address]string // controllers of the layout by where they sit
}

// Found is how a controller of the layout was found on the host.
type Found struct {
	Controller *spec.Controller
	Function   *facts.Function   // nil: not found; Why says why
	Functions  []*facts.Function // all of them, by number, the first of which is Function
	Where      facts.Whereabouts
	Holder     *facts.Guest // the running guest that has it
	ByRecord   bool         // known by a guest's record alone, as it is not with the host
	Why        string       // why it was not found
	Several    []*facts.Function
	Near       []*facts.Function // where none was found: those that may be meant
	Parent     *Found            // of a virtual function: what makes it
	Unmade     bool              // a virtual function that an order is yet to have made
}

// NewCase resolves a layout's controllers on a host.
func NewCase(layout *spec.Layout, index *facts.Index, shift *spec.Shift) *Case {
	c := &Case{Layout: layout, Facts: index, Shift: shift,
		stated:    map[string]*spec.Guest{},
		shifting:  map[string]bool{},
		mounts:    map[string]*spec.Controller{},
		inside:    map[string][]OnMount{},
		found:     map[string]Found{},
		borrowers: map[string][]*spec.Guest{},
		uses:      map[facts.Address][]facts.Use{},
		changes:   map[string]Change{},
		fillings:  map[string]Filling{},
		meant:     map[facts.Address]string{},
		crews:     map[*spec.Shift][]running{},
		will:      map[string]*facts.Definition{},
		pieces:    map[*facts.Definition][]facts.Piece{},
	}
	for i := range layout.Guests {
		c.stated[layout.Guests[i].Name] = &layout.Guests[i]
		for _, ref := range layout.Guests[i].Borrows {
			c.borrowers[ref.Name] = append(c.borrowers[ref.Name], &layout.Guests[i])
		}
	}
	for _, s := range layout.Shifts {
		for _, ref := range s.Guests {
			c.shifting[ref.Name] = true
		}
	}
	for i := range layout.Controllers {
		for _, m := range layout.Controllers[i].Return.Mounts {
			c.mounts[m.Path] = &layout.Controllers[i]
			for folder := m.Path; folder != "/" && folder != "."; {
				folder = path.Dir(folder)
				c.inside[folder] = append(c.inside[folder], OnMount{&layout.Controllers[i], m.Path})
			}
		}
	}
	c.findAll()
	c.gather()
	return c
}

// Found says how the controller of that name was found.
func (c *Case) Found(controller string) Found { return c.found[controller] }

// Stated gives the guest of that name as the layout states it, or nil.
func (c *Case) Stated(guest string) *spec.Guest { return c.stated[guest] }

// Borrowers gives the guests that borrow a controller.
func (c *Case) Borrowers(controller string) []*spec.Guest { return c.borrowers[controller] }

// Uses gives every use of a function's drives; asked once a function.
func (c *Case) Uses(at facts.Address) []facts.Use {
	list, asked := c.uses[at]
	if !asked {
		list = c.Facts.Uses(at)
		c.uses[at] = list
	}
	return list
}

// Identity gives the record that a guest which borrows the controller keeps.
func (f Found) Identity() facts.Identity {
	r := facts.Identity{Controller: f.Controller.Name, Address: f.Function.Address, Vendor: f.Function.Vendor, Device: f.Function.Device}
	if f.Controller.NVMe != nil {
		r.Serial, r.Model = f.Controller.NVMe.Serial, f.Controller.NVMe.Model
	}
	if f.whole() {
		r.Functions = facts.MakesOf(f.Functions)
	}
	if f.Controller.Virtual != nil {
		r.Virtual = f.virtualOf()
	}
	return r
}

// findAll finds every controller, virtual functions once their parents are.
func (c *Case) findAll() {
	for _, virtual := range []bool{false, true} {
		for i := range c.Layout.Controllers {
			if stated := &c.Layout.Controllers[i]; (stated.Virtual != nil) == virtual {
				c.found[stated.Name] = c.claim(c.find(stated))
			}
		}
	}
}

func (c *Case) find(controller *spec.Controller) Found {
	switch {
	case controller.NVMe != nil:
		return c.findNVMe(controller)
	case controller.Virtual != nil:
		return c.findVirtual(controller)
	}
	return c.findPCI(controller)
}

func (c *Case) findNVMe(controller *spec.Controller) Found {
	found := Found{Controller: controller, Where: facts.Gone}
	var list []*facts.Function
	for _, f := range c.Facts.BySerial(controller.NVMe.Serial) {
		if controller.NVMe.Model == "" || f.NVMe.Model == controller.NVMe.Model {
			list = append(list, f)
		}
	}
	switch len(list) {
	case 0:
		if others := c.Facts.BySerial(controller.NVMe.Serial); len(others) > 0 {
			found.Near = others
			found.Why = fmt.Sprintf("serial %s is of %s here, not of model %q", controller.NVMe.Serial, listed(others), controller.NVMe.Model)
			return found
		}
		return c.findByRecord(found)
	case 1:
		found.is(list[0])
		found.Where = facts.Home
		if list[0].NVMe.State != "live" {
			found.Where = facts.Gone
			found.Why = fmt.Sprintf("its state is %q, not live", list[0].NVMe.State)
		}
	default:
		found.Several = list
		found.Why = fmt.Sprintf("%d controllers say that they have serial %s", len(list), controller.NVMe.Serial)
	}
	return found
}

// findByRecord looks for an NVMe controller that is not with the host: only
// the record of the guest that has it, or had it last, tells which it is.
func (c *Case) findByRecord(found Found) Found {
	serial := found.Controller.NVMe.Serial
	for _, r := range c.Facts.Records(found.Controller.Name) {
		if r.Serial != serial || r.Model != "" && r.Model != found.Controller.NVMe.Model && found.Controller.NVMe.Model != "" {
			continue
		}
		where, f, holder := c.Facts.Where(r)
		if where == facts.Lent || where == facts.Aside {
			found.is(f)
			found.Where, found.Holder, found.ByRecord = where, holder, true
			return found
		}
	}
	found.Why = "no NVMe controller of the host has serial " + serial
	var serials []string
	for i := range c.Facts.Survey.Functions {
		f := &c.Facts.Survey.Functions[i]
		if f.NVMe == nil {
			continue
		}
		serials = append(serials, f.NVMe.Serial)
		if near(f.NVMe.Serial, serial) {
			found.Near = append(found.Near, f)
		}
	}
	if len(serials) > 0 {
		found.Why += "; it has " + strings.Join(serials, ", ")
	}
	return found
}

// Runs tells whether a guest shall run once the order is carried out, and
// whether the layout says so; otherwise it stays as it is.
func (c *Case) Runs(g *spec.Guest) bool { return c.runsIn(c.Shift, g) }

// runsIn is Runs for any shift.
func (c *Case) runsIn(shift *spec.Shift, g *spec.Guest) bool {
	if g.Retired || c.Awaits(g) && !c.RunsNow(g.Name) {
		return false
	}
	if shift != nil && c.shifting[g.Name] {
		return slices.ContainsFunc(shift.Guests, func(r spec.Ref) bool { return r.Name == g.Name })
	}
	return c.RunsNow(g.Name)
}

// RunsNow tells whether a guest runs at the moment of the survey.
func (c *Case) RunsNow(name string) bool {
	g := c.Facts.Guest(name)
	return g != nil && g.Running
}

// Borrower gives the guest of the layout that shall have the controller once
// the order is carried out, or nil.
func (c *Case) Borrower(controller string) *spec.Guest {
	for _, g := range c.borrowers[controller] {
		if c.Runs(g) {
			return g
		}
	}
	return nil
}

// LivesOn gives the return mounts on which a guest lives.
func (c *Case) LivesOn(g *spec.Guest) []OnMount {
	if known := c.Facts.Guest(g.Name); known != nil {
		return c.mountsUnder(c.imagesOf(g, known.Definitions()...))
	}
	return c.mountsUnder(c.imagesOf(g))
}

// WillLiveOn gives the return mounts on which a guest will live once
// an order has set its definition; every controller that it borrows must have
// been found.
func (c *Case) WillLiveOn(g *spec.Guest) []OnMount {
	kept := c.becomes(g)
	if kept == nil { // its definition cannot be set: then no order is written
		return c.LivesOn(g)
	}
	return c.mountsUnder(c.imagesOf(g, kept))
}

// mountsUnder gives the return mounts that hold any of these paths, or that lie
// in one of them.
func (c *Case) mountsUnder(places []string) []OnMount {
	var list []OnMount
	add := func(on OnMount) {
		if !slices.Contains(list, on) {
			list = append(list, on)
		}
	}
	for _, place := range places {
		if on, ok := c.returnMount(place); ok {
			add(on)
		}
		for _, on := range c.inside[path.Clean(place)] {
			add(on)
		}
	}
	return list
}

// On gives the return mount on which a file lies, if any.
func (c *Case) On(file string) []OnMount { return c.mountsUnder([]string{file}) }

// OnMount is a mount that a controller's return makes.
type OnMount struct {
	Controller *spec.Controller
	Path       string
}

func (c *Case) returnMount(image string) (OnMount, bool) {
	for place := path.Clean(image); place != "/" && place != "."; place = path.Dir(place) {
		if controller := c.mounts[place]; controller != nil {
			return OnMount{controller, place}, true
		}
	}
	return OnMount{}, false
}

// imagesOf gives the paths on which a guest lives, of the layout and of these
// definitions, each with all images below it.
func (c *Case) imagesOf(g *spec.Guest, definitions ...*facts.Definition) []string {
	var list []string
	for _, d := range g.Disks {
		list = append(list, c.Facts.Chain(d.Image)...)
	}
	for _, d := range definitions {
		list = append(list, c.Facts.Places(d)...)
	}
	return list
}
