// wrong-device: a guest's definition names an address where now something else
// sits than was meant.
//
// libvirt goes by the address alone and starts such a guest without a word:
// filesystems of the wrong drive stay mounted on a device that is gone, writes
// seem to succeed and are lost (measured with libvirt 9.0.0). Addresses move
// when a card is added or removed or a firmware setting changes.
//
// Severity: caution where the order corrects the definition or nothing sits
// there; stop where another device sits there and the guest runs or the layout
// does not state it.
//
// Remedy: plan and apply an order, which corrects the address. Do not start the
// guest before.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

func checkAddresses(c *Case) []Finding {
	var list []Finding
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if g.Kept == nil {
			continue
		}
		for _, lent := range g.Kept.Hostdevs {
			if c.Stated(g.Name) != nil && c.Facts.Function(lent.Address) == nil && c.keeps(g.Name, lent.Address) {
				continue // undeclared says so
			}
			if f, bad := wrongDevice(c, g, lent.Address); bad {
				list = append(list, f)
			}
		}
	}
	return list
}

func wrongDevice(c *Case, g *facts.Guest, at facts.Address) (Finding, bool) {
	f := Finding{Severity: Caution, Causes: []Cause{{"definition of guest " + g.Name, "<hostdev> at " + at.String()}}}
	mended := "have an order correct it: lendkeep plan LAYOUT -o FILE"
	stated := c.Stated(g.Name)
	if stated != nil {
		f.At = stated.At
	} else {
		mended = "state the guest in the layout, or correct its definition"
	}
	there := c.Facts.Function(at)
	if there == nil {
		f.Summary = "guest " + g.Name + " names an empty address"
		f.Detail = "No function sits at " + at.String() + ", so the guest cannot start; after another card was added it may start with the wrong one."
		f.Remedies = []string{mended}
		return f, true
	}
	for _, r := range g.Kept.Identities {
		if !r.Has(at) || agrees(c, r, there) || at != r.Address && names(g.Kept, r.Address) {
			continue // of a whole slot it is told with the first
		}
		f.Summary = "guest " + g.Name + " would get the wrong device"
		f.Detail = fmt.Sprintf("Its definition lends it what sits at %s and means %s (%s), but there sits %s.", at, r.Controller, r.Serial, there.Title())
		if r.Whole() {
			f.Detail = fmt.Sprintf("Its definition lends it what sits in the slot of %s and means %s, as it was noted there, but %s.", at, r.Controller, c.Facts.Unlike(r))
		}
		if r.IsVirtual() {
			f.Detail = fmt.Sprintf("Its definition lends it what sits at %s and means %s, %s; but that is not there, and %s is.", at, r.Controller, r.Virtual, there.Title())
		}
		f.Causes = append(f.Causes, causeOf(there, "", there.Title()))
		f.Remedies = []string{"do not start the guest", mended}
		if stated == nil || g.Running {
			f.Severity = Stop
		}
		return f, true
	}
	return f, false
}

func names(d *facts.Definition, at facts.Address) bool {
	return slices.ContainsFunc(d.Hostdevs, func(l facts.Hostdev) bool { return l.Address == at })
}

// agrees tells whether what sits there can be what the record means.
func agrees(c *Case, r facts.Identity, there *facts.Function) bool {
	if r.Whole() {
		return c.Facts.Unlike(r) == ""
	}
	if r.IsVirtual() {
		_, f, _ := c.Facts.Where(r)
		return f == there
	}
	if there.Vendor != r.Vendor || there.Device != r.Device || there.Parent != nil {
		return false
	}
	if r.Serial == "" {
		return true
	}
	if there.NVMe != nil {
		return there.NVMe.Serial == r.Serial
	}
	return len(c.Facts.BySerial(r.Serial)) == 0
}
