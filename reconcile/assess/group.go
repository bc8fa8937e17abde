// group: a host driver holds another member of the IOMMU group of a controller
// that is to be lent.
//
// The kernel lends a group as a whole. Up to Linux 5.18 a member is harmless
// when it has no driver, is on VFIO or pci-stub, or is not an endpoint; from
// 5.19 on when it has no driver or is on VFIO, pci-stub or pcieport
// (Documentation/driver-api/vfio.rst). libvirt detaches the controller all the
// same, QEMU then says "group N is not viable", and libvirt hands it back: the
// drive is unbound for nothing.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkGroups(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		if found.Function == nil || found.Function.Group == nil {
			continue
		}
		for _, g := range c.Borrowers(found.Controller.Name) {
			if g.Retired {
				continue
			}
			if f, bad := c.groupFinding(found, g); bad {
				list = append(list, f)
			}
		}
	}
	return list
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
	return Finding{Severity: Stop, At: found.Controller.At,
		Summary: shorten(fmt.Sprintf("%s cannot be lent without its group", found.Controller.Name)),
		Detail: fmt.Sprintf("The kernel (%s) lends an IOMMU group as a whole. Of the group of %s, %s would stay with the host.",
			c.Facts.Survey.Machine.Kernel, found.Function.Title(), strings.Join(names, " and ")),
		Causes: members,
		Remedies: []string{
			"lend the whole group: name the other members as controllers and let guest " + g.Name + " borrow them too",
			"name them as controllers that no guest borrows: an order then puts them aside on VFIO",
			"move the card to a slot with a group of its own",
		},
	}, true
}

// lentWith gives the addresses that leave the host's drivers when a guest
// starts: what it borrows, and what the layout puts aside for it.
func (c *Case) lentWith(g *spec.Guest) map[facts.Address]bool {
	lent := map[facts.Address]bool{}
	for _, ref := range g.Borrows {
		if f := c.Found(ref.Name).Function; f != nil {
			lent[f.Address] = true
		}
	}
	for _, found := range c.Companions() {
		lent[found.Function.Address] = true
	}
	return lent
}

// Companions gives the controllers that the layout names, that no guest
// borrows, and whose IOMMU group has a controller that is borrowed: they are
// kept on VFIO, since the group cannot be lent otherwise.
func (c *Case) Companions() []Found {
	groups := map[int]bool{}
	for _, found := range c.borrowed() {
		if found.Function != nil && found.Function.Group != nil {
			groups[*found.Function.Group] = true
		}
	}
	var list []Found
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		if len(c.Borrowers(found.Controller.Name)) == 0 && found.Function != nil && found.Function.Group != nil && groups[*found.Function.Group] {
			list = append(list, found)
		}
	}
	return list
}
