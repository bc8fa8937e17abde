package order

import (
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/step"
)

// makeVirtual brings the number of virtual functions of a controller in line.
func (p *planner) makeVirtual(found assess.Found) {
	if before, after, changes := p.c.Remakes(found); changes {
		p.add(&step.MakeVirtual{Controller: found.Identity(), Before: before, After: after}, found.Controller.At)
	}
}
