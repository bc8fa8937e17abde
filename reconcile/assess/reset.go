// reset: a controller that is to be lent cannot be reset, or only together with
// others, or not in the way that its kind says.
//
// Between two guests, and between guest and host, a function must be reset, or it
// keeps what the last user left in it. The kernel says what it can do in
// reset_method (Linux Documentation/ABI/testing/sysfs-bus-pci, since 5.15), and
// tries it in that sequence: device_specific, acpi, flr, af_flr and pm reset one
// function alone; bus resets everything below the same bridge or port, so the
// kernel does it for one function only where that is all there is (Linux 6.1
// drivers/pci/pci.c, pci_parent_bus_reset). It lists bus for the first function of
// a card all the same, for the others nothing (measured with Linux 6.1). VFIO
// resets the bus where everything below it is on VFIO, and belongs to the one guest
// (vfio_pci_core.c, vfio_pci_dev_set_resettable); else nothing is reset, and no one
// is told. Where the attribute is absent there is no way for the function alone.
//
// Severity: caution; note where all that is reset with it goes along.
//
// Remedy: lend the others to the same guest, or move the card to a slot of its
// own. One without any way: try lending and returning it while nothing of value
// is on it.
package assess

import (
	"cmp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/quirks"
	"lendkeep/spec/plain"
)

func checkReset(c *Case) []Finding {
	// Before 5.15 an absent attribute says nothing.
	if !facts.KernelAtLeast(c.Facts.Survey.Machine.Kernel, 5, 15) {
		return nil
	}
	var list []Finding
	for _, l := range c.loans() {
		if l.Gap("reset_method") == nil && !l.ResetsAlone() {
			list = append(list, c.resetFindings(l)...)
		}
	}
	return list
}

// resetFindings tells what a reset of a function means that has no way of its own.
func (c *Case) resetFindings(l loan) []Finding {
	hit := c.Facts.ResetWith(l.Function)
	others := slices.DeleteFunc(slices.Clone(hit), func(f *facts.Function) bool { return slices.Contains(l.own, f) })
	stay := slices.DeleteFunc(slices.Clone(others), func(f *facts.Function) bool { return l.along[f.Address] })
	methods := causeOf(l.Function, "reset_method", cmp.Or(strings.Join(l.ResetMethods, " "), "(absent)"))
	switch byBus := c.busCanReset(l.Function, hit); {
	case l.Parent != nil:
		return []Finding{cannotReset(l, methods, "A virtual function must be able to be reset alone. It may not work for its next user until its parent was reset, which takes all virtual functions offline.")}
	case len(l.ResetMethods) == 0 && !byBus:
		return []Finding{cannotReset(l, methods, "It may not work for its next user after a guest has ended, the host included, until the machine is powered off and on.")}
	case len(stay) > 0:
		return []Finding{{Severity: Caution, At: l.at,
			Summary:  shorten("resetting " + l.name + " resets others"),
			Detail:   "It can only be reset through its bus, which resets everything below the same bridge. The kernel does that when all of it belongs to one guest, and else resets nothing: it keeps what its last user left in it.",
			Causes:   append([]Cause{methods}, c.usedFunctions(stay)...),
			Remedies: []string{"lend the others to the same guest", "move the card to a slot of its own; work for a powered-off, unplugged machine, by its maker's manual", tryFirst},
		}}
	case len(others) > 0:
		return []Finding{{Severity: Note, At: l.at,
			Summary:  shorten(l.name + " is reset with " + plain.Count(len(others), "other")),
			Detail:   "It can only be reset through its bus, which resets everything below the same bridge. All of that goes to the same guest, so the kernel can.",
			Causes:   append([]Cause{methods}, c.usedFunctions(others)...),
			Remedies: []string{"keep them together: lend and return all of them at once"},
		}}
	}
	return nil
}

func cannotReset(l loan, seen Cause, detail string) Finding {
	return Finding{Severity: Caution, At: l.at,
		Summary:  shorten(l.name + " cannot be reset"),
		Detail:   detail,
		Causes:   []Cause{seen},
		Remedies: []string{tryFirst, "lend another controller"},
	}
}

// busCanReset tells whether a reset of the bus may reach a function: it is behind a
// bridge, and none of those that it hits, the bridge included, is known to break.
func (c *Case) busCanReset(f *facts.Function, others []*facts.Function) bool {
	if f.Upstream == nil {
		return false
	}
	for _, hit := range append([]*facts.Function{f, c.Facts.Function(*f.Upstream)}, others...) {
		if hit != nil && breaks(hit, quirks.NoBusReset) {
			return false
		}
	}
	return true
}

// usedFunctions states functions with who uses them.
func (c *Case) usedFunctions(list []*facts.Function) []Cause {
	var causes []Cause
	for _, f := range list {
		causes = append(causes, causeOf(f, "driver", f.Title()+", driver "+cmp.Or(f.Driver, none)+c.usedBy(f)))
	}
	return causes
}
