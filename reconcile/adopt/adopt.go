// Package adopt writes a first layout of a host as it is: the controllers that
// guests borrow or live on, those guests, what the host has mounted there, and who
// can run together. What a layout would change of the host is not carried over, but
// told. It is pure. Start at From.
package adopt

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// Adopted is a first layout of a host.
type Adopted struct {
	Files   []spec.File  // of the layout, by name
	Layout  *spec.Layout // what they say
	Lent    []string     // names of controllers that may be lent, and stand there as comments
	Told    []string     // what was not carried over and why, in sentences
	LeftOut []string     // guests that have nothing to do with it, by name
}

// From adopts a surveyed host. The error says why no layout of it can be written.
func From(ix *facts.Index) (Adopted, error) {
	h := newHost(ix)
	for {
		a, ranges := h.write()
		layout, ds := spec.LoadSources("", a.Files, spec.Given{})
		list := refused(ds)
		if !ds.HasErrors() {
			list = changes(assess.NewCase(layout, ix, nil))
		}
		if len(list) == 0 {
			a.Layout = layout
			return a, nil
		}
		if !h.heed(list, ranges) {
			return Adopted{}, fmt.Errorf("adopt %s: its layout cannot be written: %s (%s)", ix.Survey.Machine.Name, list[0].why, list[0].at)
		}
	}
}

// complaint is why something of a layout cannot be carried over.
type complaint struct {
	at    spec.Place
	why   string
	whole bool // of a controller: its mounts are not what it is about
}

// refused gives what the language finds wrong with the layout as a whole.
func refused(ds spec.Diagnostics) []complaint {
	var list []complaint
	for _, d := range ds {
		if d.Severity == spec.SeverityError {
			list = append(list, complaint{at: d.At, why: d.Why()})
		}
	}
	return list
}

// ownStops are the checks whose stops a host deserves by itself: they speak of a
// lend that a guest's definition already asks for, or of the host as a whole. Any
// other stop comes from how it was written down.
var ownStops = []string{"protected", "host-use", "bridge", "iommu", "group", "card", "virtual-function", "reset", "gap", "wrong-device", "unguarded"}

// changes gives what a layout would do to the host that is written down in it,
// besides the guard, the watch and the notes of what guests borrow; and which of
// its stops are not the host's own.
func changes(c *assess.Case) []complaint {
	var list []complaint
	for _, f := range assess.Assess(c) {
		if f.Severity == assess.Stop && !slices.Contains(ownStops, f.Check) {
			list = append(list, complaint{at: f.At, why: f.Summary + ": " + f.Detail})
		}
	}
	for _, controller := range c.Layout.Controllers {
		found := c.Found(controller.Name)
		if sake := c.KeptAside(found); sake != "" && found.Where == facts.Home {
			list = append(list, complaint{controller.At, "an order would put it aside on VFIO, since it shares its IOMMU group with " + sake, true})
		}
	}
	if len(list) > 0 {
		return list // what cannot be planned is no change yet
	}
	planned, err := order.Plan(c, nil)
	if err != nil {
		return []complaint{{at: c.Layout.Host.At, why: err.Error()}}
	}
	for _, w := range planned.Steps {
		if why := change(c, w.Step); why != "" {
			list = append(list, complaint{at: w.Why, why: why})
		}
	}
	return list
}

// change says what a step of a case's order changes of a host; empty: nothing but
// lendkeep's own.
func change(c *assess.Case, s step.Step) string {
	switch s := s.(type) {
	case *step.InstallGuard, *step.InstallWatch:
		return ""
	case *step.DefineGuest:
		changes := c.Change(c.Layout.Guest(s.Guest)).Changes
		at := slices.IndexFunc(changes, func(said string) bool { return said != definition.NoteBroughtUp })
		if at < 0 {
			return ""
		}
		return "an order would change its definition: " + changes[at]
	}
	return "an order would " + s.About().Does
}
