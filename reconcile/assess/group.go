// group: a host driver holds another member of the IOMMU group of a controller
// that is to be lent.
//
// The kernel lends a group as a whole. Up to Linux 5.18 a member is harmless
// when it has no driver, is on VFIO or pci-stub, or is not an endpoint; from
// 5.19 on when it has no driver or is on VFIO, pci-stub or pcieport
// (Documentation/driver-api/vfio.rst). libvirt detaches the controller all the
// same, QEMU then says "group N is not viable", and libvirt hands it back: the
// drive is unbound for nothing.
//
// Severity: stop.
//
// Remedy: borrow the other members too, or put those that the host does not need
// aside on VFIO: a controller block for each. Else move the card to a slot with a
// group of its own.
package assess

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkGroups(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		for _, part := range onePerGroup(found.parts()) {
			for _, g := range c.Borrowers(found.Controller.Name) {
				if g.Retired {
					continue
				}
				if f, bad := c.groupFinding(part, g); bad {
					list = append(list, f)
				}
			}
		}
	}
	return list
}

// onePerGroup leaves out those that are in no group, or in that of one before.
func onePerGroup(list []Found) []Found {
	seen := map[int]bool{}
	return slices.DeleteFunc(list, func(found Found) bool {
		group := found.Function.Group
		if group == nil || seen[*group] {
			return true
		}
		seen[*group] = true
		return false
	})
}

func (c *Case) groupFinding(found Found, g *spec.Guest) (Finding, bool) {
	blockers := c.Facts.Blockers(*found.Function.Group, c.lentWith(g))
	if len(blockers) == 0 {
		return Finding{}, false
	}
	var members []Cause
	var names []string
	for _, b := range blockers {
		members = append(members, causeOf(b.Function, "driver", b.Function.Title()+": "+b.Reason))
		names = append(names, b.Function.Title())
	}
	remedies := c.namings(functionsOf(blockers))
	if len(remedies) == len(blockers) {
		for i := range remedies {
			remedies[i] += ", as a controller that guest " + g.Name + " borrows too, or that no guest borrows: an order then puts it aside on VFIO"
		}
	} else {
		remedies = nil // what a layout cannot name would stay with the host
	}
	slot := c.Facts.Physical(found.Function.Address)
	if slices.ContainsFunc(blockers, func(b facts.Blocker) bool { return slices.Contains(slot, b.Function) }) && !found.whole() {
		remedies = append(c.together(slot), remedies...)
	}
	return Finding{Severity: Stop, At: found.Controller.At,
		Summary: shorten(fmt.Sprintf("%s cannot be lent without its group", found.Controller.Name)),
		Detail: fmt.Sprintf("The kernel (%s) lends an IOMMU group as a whole. Of the group of %s, %s would stay with the host.",
			c.Facts.Survey.Machine.Kernel, found.Function.Title(), strings.Join(names, " and ")),
		Causes:   members,
		Remedies: append(remedies, "move the card to a slot with a group of its own; work for a powered-off, unplugged machine, by its maker's manual"),
	}, true
}

func functionsOf(blockers []facts.Blocker) []*facts.Function {
	var list []*facts.Function
	for _, b := range blockers {
		list = append(list, b.Function)
	}
	return list
}

// lentWith gives the addresses that leave the host's drivers when a guest
// starts: what it borrows, and what the layout puts aside for it.
func (c *Case) lentWith(g *spec.Guest) map[facts.Address]bool {
	lent := map[facts.Address]bool{}
	for _, ref := range g.Borrows {
		for _, f := range c.Found(ref.Name).Functions {
			lent[f.Address] = true
			for _, part := range parts(c.Companions(f)) {
				lent[part.Function.Address] = true
			}
		}
	}
	return lent
}

// lentAlong gives the addresses that leave the host's drivers together with a
// controller, whichever guest borrows it.
func (c *Case) lentAlong(found Found) map[facts.Address]bool {
	var along map[facts.Address]bool
	for _, g := range c.Borrowers(found.Controller.Name) {
		if g.Retired {
			continue
		}
		lent := c.lentWith(g)
		if along == nil {
			along = lent
		}
		maps.DeleteFunc(along, func(at facts.Address, _ bool) bool { return !lent[at] })
	}
	return along
}

// company is what the layout has of one IOMMU group.
type company struct {
	borrowed   []Found
	companions []Found
}

// gather sorts the layout's controllers by their groups.
func (c *Case) gather() {
	c.companies = map[int]*company{}
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		for _, part := range onePerGroup(found.parts()) {
			group := *part.Function.Group
			if c.companies[group] == nil {
				c.companies[group] = &company{}
			}
			if together := c.companies[group]; c.isBorrowed(found.Controller.Name) {
				together.borrowed = append(together.borrowed, found)
			} else {
				together.companions = append(together.companions, found)
			}
		}
	}
	for i := range c.Layout.Controllers {
		switch found := c.Found(c.Layout.Controllers[i].Name); {
		case c.isBorrowed(found.Controller.Name):
			c.lent = append(c.lent, found)
		case found.Where == facts.Home && c.KeptAside(found) != "":
			c.aside = append(c.aside, found)
		}
	}
}

// Lends tells whether any controller of the layout may be lent to a guest.
func (c *Case) Lends() bool { return len(c.lent) > 0 }

func (c *Case) isBorrowed(controller string) bool {
	return slices.ContainsFunc(c.Borrowers(controller), func(g *spec.Guest) bool { return !g.Retired })
}

// Companions gives the controllers that are kept on VFIO for the sake of a
// function: the layout names them, no guest borrows them, and they share its
// IOMMU group, which cannot be lent otherwise.
func (c *Case) Companions(f *facts.Function) []Found {
	if f.Group == nil || c.companies[*f.Group] == nil || len(c.companies[*f.Group].borrowed) == 0 {
		return nil
	}
	return c.companies[*f.Group].companions
}

// putAside gives the controllers that an order puts on VFIO for the sake of a
// group.
func (c *Case) putAside() []Found { return slices.Clip(c.aside) }

// taken gives what is there and goes from the host, lent or aside.
func (c *Case) taken() []Found {
	return slices.DeleteFunc(slices.Concat(c.lent, c.aside), func(found Found) bool { return found.Function == nil })
}

// KeptAside names the borrowed controller for whose sake a controller is kept
// on VFIO; empty for one that is not, or that is nowhere.
func (c *Case) KeptAside(found Found) string {
	for _, f := range found.Functions {
		for _, companion := range c.Companions(f) {
			if companion.Controller == found.Controller {
				return c.companies[*f.Group].borrowed[0].Controller.Name
			}
		}
	}
	return ""
}
