package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Starts is what is known of whether the system that a guest boots from a
// controller will start from its drive.
type Starts struct {
	System string // "windows", "linux": as it was seen, or else as the layout states it; empty: neither
	Sight  facts.Sight
}

// Starts asks what is known of the system that a guest which boots from a
// controller will find on its drive: of what is copied there, or of what is there.
func (c *Case) Starts(g *spec.Guest) Starts {
	found := c.Found(g.Boots.Name)
	if f := c.Filling(g.Boots.Name); f.Copy != nil {
		return startsBy(g, c.Facts.SystemIn(f.Copy.Path))
	}
	if found.Where != facts.Home {
		return startsBy(g, facts.Sight{Why: "the controller is " + string(found.Where)})
	}
	drives := c.Facts.Drives(found.Function.Address)
	if len(drives) != 1 {
		return startsBy(g, facts.Sight{Why: fmt.Sprintf("the controller has %d drives", len(drives))})
	}
	return startsBy(g, c.Facts.SystemOn(drives[0].Name))
}

func startsBy(g *spec.Guest, sight facts.Sight) Starts {
	if facts.Matters(sight.Kind()) != nil {
		return Starts{sight.Kind(), sight}
	}
	return Starts{g.System, sight}
}

// mend plans that the copy's NVMe driver is let start at boot, where that alone
// keeps a guest which boots from it from starting, and a few bytes of the copy
// mend it.
func (f *filler) mend(sight facts.Sight) {
	driver := sight.Answer(facts.AsksDriver)
	if sight.Kind() == "windows" && driver.Mendable && len(f.booting()) > 0 {
		f.Mend = &driver
	}
}

// booting gives the guests that boot from the drive.
func (f *filler) booting() (list []*spec.Guest) {
	for i := range f.c.Layout.Guests {
		if g := &f.c.Layout.Guests[i]; f.boots(g) {
			list = append(list, g)
		}
	}
	return list
}

// system tells, for each guest that will start from the copy, what is known of
// whether it does.
func (f *filler) system(sight facts.Sight) {
	f.mend(sight)
	for _, g := range f.booting() {
		j := judge{c: f.c, g: g, at: f.drive.At, starts: startsBy(g, sight), mend: f.Mend, copied: true}
		f.copying = append(f.copying, j.findings()...)
	}
}

// driveStarts tells what is known of the system on the drive that a guest boots
// from, where none is copied there: what would keep it from starting.
func (c *Case) driveStarts(g *spec.Guest) []Finding {
	f := c.Filling(g.Boots.Name)
	if f.Copy != nil {
		return nil // the check copy says so
	}
	j := judge{c: c, g: g, at: g.Boots.At, starts: c.Starts(g), mend: f.Mend}
	return j.findings()
}
