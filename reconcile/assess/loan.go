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
}

// loans gives every function that is there and that a guest is to have.
func (c *Case) loans() []loan {
	var list []loan
	for _, found := range c.borrowed() {
		if found.Function != nil {
			list = append(list, loan{found.Function, "controller " + found.Controller.Name, found.Controller.At, Stop, c.lentAlong(found)})
		}
	}
	c.eachUndeclared(func(g *spec.Guest, d *facts.Definition, at facts.Address) {
		if f := c.Facts.Function(at); f != nil {
			list = append(list, loan{f, at.String() + " of guest " + g.Name, g.At, c.severityOf(g), c.leaving(g, d)})
		}
	})
	return list
}
