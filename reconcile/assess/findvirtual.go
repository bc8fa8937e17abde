package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// findVirtual finds a virtual function by its parent, which must be home: only there
// it can be asked.
func (c *Case) findVirtual(controller *spec.Controller) Found {
	parent := c.found[controller.Virtual.Of.Name]
	found := Found{Controller: controller, Where: facts.Gone, Parent: &parent}
	name := "controller " + controller.Virtual.Of.Name
	switch {
	case parent.Function == nil:
		found.Why = "its parent, " + name + ", was not found"
		return found
	case parent.Where != facts.Home:
		found.Why = fmt.Sprintf("its parent, %s, is %s", name, parent.Where)
		return found
	}
	f := c.Facts.VirtualOf(parent.Function.Address, controller.Virtual.Number)
	if before, after, changes := c.Remakes(parent); changes && (f == nil || !f.OnVFIO()) {
		found.Unmade = true
		found.Why = fmt.Sprintf("%s makes %s instead of %d by this order", name, plain.Count(after, "virtual function"), before)
		return found
	}
	if f == nil {
		made, _ := c.Facts.MakesVirtual(parent.Function)
		found.Why = fmt.Sprintf("%s has %s, and none of them is known to have the number %d", name, plain.Count(made, "virtual function"), controller.Virtual.Number)
		return found
	}
	found.is(f)
	found.Where, _, found.Holder = c.Facts.Where(found.Identity())
	return found
}

// Remakes tells whether an order has a controller make another number of virtual
// functions, from how many to how many. All that it has go then: the kernel makes
// another number only after none (Linux drivers/pci/iov.c, sriov_numvfs_store).
func (c *Case) Remakes(found Found) (before, after int, changes bool) {
	want := found.Controller.VirtualFunctions
	if want == nil || found.Function == nil || found.Where != facts.Home {
		return 0, 0, false
	}
	made, gap := c.Facts.MakesVirtual(found.Function)
	return made, *want, gap == nil && made != *want
}

// Awaits tells whether a guest borrows a virtual function that an order is yet to have
// made, or has made anew. It is left as it is until the next one: only then can be seen
// which function that is.
func (c *Case) Awaits(g *spec.Guest) bool {
	return !g.Retired && slices.ContainsFunc(g.Borrows, func(ref spec.Ref) bool { return c.found[ref.Name].Unmade })
}

// virtualOf gives what a record says of the parent of a virtual function.
func (f Found) virtualOf() facts.VirtualOf {
	parent := f.Parent.Identity()
	return facts.VirtualOf{Controller: parent.Controller, Number: f.Controller.Virtual.Number, Address: parent.Address,
		Vendor: parent.Vendor, Device: parent.Device, Serial: parent.Serial, Model: parent.Model}
}
