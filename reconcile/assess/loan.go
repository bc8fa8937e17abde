package assess

import (
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// loan is a function that a guest is to have: of a controller that it borrows, or
// undeclared in its definition.
type loan struct {
	*facts.Function
	name     string // in a summary, "controller reel"
	at       spec.Place
	severity Severity               // of what keeps it from being lent
	along    map[facts.Address]bool // what leaves the host's drivers with it, itself among them
	own      []*facts.Function      // all functions of its controller
}

// loans gives every function that is there and that a guest is to have.
func (c *Case) loans() []loan {
	if c.loaned == nil {
		c.loaned = c.findLoans()
	}
	return c.loaned
}

func (c *Case) findLoans() []loan {
	list := []loan{}
	for _, found := range c.borrowed() {
		for _, f := range found.Functions {
			list = append(list, loan{f, "controller " + found.Controller.Name, found.Controller.At, Stop, c.lentAlong(found), found.Functions})
		}
	}
	c.eachUndeclared(func(g *spec.Guest, d *facts.Definition, at facts.Address) {
		if f := c.Facts.Function(at); f != nil {
			list = append(list, loan{f, at.String() + " of guest " + g.Name, g.At, c.severityOf(g), c.leaving(g, d), []*facts.Function{f}})
		}
	})
	return list
}
