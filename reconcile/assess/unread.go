// unread: a guest may use more of the host than can be read of its definition.
// Arguments for QEMU, file names with a protocol of QEMU's own and elements that
// lendkeep does not know are searched for paths and PCI addresses, and what is
// found counts as used; but they may name things in other ways.
//
// It is told of guests that the layout states, and of guests that run while a
// controller is lent. Where such a guest uses a drive that is lent, only a look
// at its definition shows it beforehand.
//
// Severity: caution.
//
// Remedy: read these places of the definition (virsh dumpxml), state them in
// libvirt's own elements, or keep the guest in another shift than those that
// borrow.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// maxUnread is how many places of a definition are shown.
const maxUnread = 5

func checkUnread(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		if g := &c.Layout.Guests[i]; !g.Retired {
			if f, told := unread(g.Name, c.willHave(g), c.live(g.Name)); told {
				f.At = g.At
				list = append(list, f)
			}
		}
	}
	if len(c.borrowed()) == 0 {
		return list
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		if g := &c.Facts.Survey.Libvirt.Guests[i]; g.Running && c.Stated(g.Name) == nil {
			if f, told := unread(g.Name, g.Live); told {
				f.At = c.Layout.Host.At
				list = append(list, f)
			}
		}
	}
	return list
}

// live gives the definition in force of a guest; nil where it is off.
func (c *Case) live(guest string) *facts.Definition {
	if g := c.Facts.Guest(guest); g != nil {
		return g.Live
	}
	return nil
}

func unread(guest string, definitions ...*facts.Definition) (Finding, bool) {
	seen := map[Cause]bool{}
	f := Finding{Severity: Caution,
		Summary: shorten("guest " + guest + " may use more than can be read"),
		Detail:  "Its definition passes on what lendkeep does not understand as a whole. The paths and PCI addresses found there count as used; what else it names does not.",
		Remedies: []string{"read these places: virsh dumpxml " + plain.Quoted(guest), "state them in libvirt's own elements: virsh edit " + plain.Quoted(guest),
			"keep the guest in another shift than those that borrow"}}
	for _, d := range definitions {
		if d == nil {
			continue
		}
		for _, r := range d.Reaches {
			cause := Cause{"definition of guest " + guest + ": " + r.At, r.Name}
			if r.Kind == facts.ReachUnclear && !seen[cause] {
				seen[cause] = true
				f.Causes = append(f.Causes, cause)
			}
		}
	}
	if more := len(f.Causes) - maxUnread; more > 0 {
		f.Causes = append(f.Causes[:maxUnread:maxUnread], Cause{"definition of guest " + guest, fmt.Sprintf("%d more places", more)})
	}
	return f, len(f.Causes) > 0
}
