package assess

import (
	"cmp"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// running is a guest that runs at the same time as others, with the definition
// that it has then.
type running struct {
	name   string
	has    *facts.Definition
	stated *spec.Guest // nil: the layout does not name it
	starts bool        // the order starts it, or starts it again
}

// crew gives every guest that runs in a shift, nil for none: those of the
// layout, and those that run now and that the layout does not name.
func (c *Case) crew(shift *spec.Shift) []running {
	list, asked := c.crews[shift]
	if asked {
		return list
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if !c.runsIn(shift, g) {
			continue
		}
		r := running{name: g.Name, stated: g, starts: c.starts(g)}
		if r.has = c.willHave(g); !r.starts {
			r.has = inForce(c.Facts.Guest(g.Name))
		}
		if r.has != nil {
			list = append(list, r)
		}
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if d := inForce(g); g.Running && d != nil && c.Stated(g.Name) == nil {
			list = append(list, running{name: g.Name, has: d})
		}
	}
	c.crews[shift] = list
	return list
}

// inForce gives the definition of a guest that runs; where that could not be
// read the one that it was started with, most likely.
func inForce(g *facts.Guest) *facts.Definition { return cmp.Or(g.Live, g.Kept) }

// Gets gives the functions that a guest gets when it starts, once the order is carried out.
func (c *Case) Gets(g *spec.Guest) []*facts.Function {
	d := c.willHave(g)
	if d == nil {
		return nil
	}
	var list []*facts.Function
	for _, at := range d.Functions() {
		if f := c.Facts.Function(at); f != nil {
			list = append(list, f)
		}
	}
	return list
}

// willHave gives the definition that a guest has once the order is carried
// out; where it cannot be set the one that it has, nil where there is none.
func (c *Case) willHave(g *spec.Guest) *facts.Definition {
	d, asked := c.will[g.Name]
	if asked {
		return d
	}
	d = c.becomes(g)
	if known := c.Facts.Guest(g.Name); d == nil && known != nil {
		d = known.Kept
	}
	c.will[g.Name] = d
	return d
}

// claimsOf gives what a guest of that definition has of the host; asked once.
func (c *Case) claimsOf(d *facts.Definition) []facts.Piece {
	list, asked := c.pieces[d]
	if !asked {
		list = c.Facts.Claims(d)
		c.pieces[d] = list
	}
	return list
}

// storage gives what a definition uses of the host's storage.
func (c *Case) storage(d *facts.Definition) []facts.Piece {
	var list []facts.Piece
	for _, p := range c.claimsOf(d) {
		if p.Kind != facts.KindFunction {
			list = append(list, p)
		}
	}
	return list
}

// startedBy tells whether the order that is aimed at starts a guest.
func (c *Case) startedBy(g *spec.Guest) bool { return c.Runs(g) && c.starts(g) }

// shutsDown tells whether the order that is aimed at shuts a guest down for good.
func (c *Case) shutsDown(g *spec.Guest) bool { return c.RunsNow(g.Name) && !c.Runs(g) }

// severityOf is that of what keeps a guest from being started.
func (c *Case) severityOf(g *spec.Guest) Severity {
	if c.startedBy(g) {
		return Stop
	}
	return Caution
}
