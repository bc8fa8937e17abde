// reset: a controller that is to be lent cannot be reset at all, or only
// together with others below the same bridge.
//
// Between two guests, and between guest and host, a function must be reset, or
// it keeps what the last user left in it. The kernel says what it can do in
// reset_method (Linux Documentation/ABI/testing/sysfs-bus-pci, since 5.15);
// where the attribute is absent there is no way.
//
// Severity: caution where there is no way; stop where its bus is the only one and
// others below it are not lent along.
//
// Remedy: lend the others to the same guest, or move the card to a slot of its
// own. One without any way: try lending and returning it while nothing of value
// is on it.
package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkReset(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		if found.Function != nil {
			list = append(list, c.resetFindings(found.Function, "controller "+found.Controller.Name, found.Controller.At, Stop, c.belowWith(found.Function, c.lentAlong(found)))...)
		}
	}
	c.eachUndeclared(func(g *spec.Guest, d *facts.Definition, at facts.Address) {
		if f := c.Facts.Function(at); f != nil {
			list = append(list, c.resetFindings(f, at.String()+" of guest "+g.Name, g.At, c.severityOf(g), c.belowWith(f, c.leaving(g, d)))...)
		}
	})
	return list
}

// resetFindings tells what a reset of a function means, which hits the others
// where it has no way but through its bus.
func (c *Case) resetFindings(f *facts.Function, name string, at spec.Place, severity Severity, others []*facts.Function) []Finding {
	// Before 5.15 an absent attribute says nothing.
	if f.Gap("reset_method") != nil || !facts.KernelAtLeast(c.Facts.Survey.Machine.Kernel, 5, 15) {
		return nil
	}
	switch {
	case len(f.ResetMethods) == 0:
		return []Finding{{Severity: Caution, At: at,
			Summary:  shorten(name + " cannot be reset"),
			Detail:   "It may not work for its next user after a guest has ended, the host included, until the machine is powered off and on.",
			Causes:   []Cause{causeOf(f, "reset_method", "(absent)")},
			Remedies: []string{"try lending and returning it while nothing of value is on it", "lend another controller"},
		}}
	case !slices.ContainsFunc(f.ResetMethods, func(m string) bool { return m != "bus" }) && len(others) > 0:
		return []Finding{{Severity: severity, At: at,
			Summary:  shorten("resetting " + name + " resets others"),
			Detail:   "It can only be reset through its bus, which resets everything below the same bridge; the kernel refuses that while others use it.",
			Causes:   append([]Cause{causeOf(f, "reset_method", "bus")}, titles(others)...),
			Remedies: []string{"lend the others to the same guest", "move the card to a slot of its own"},
		}}
	}
	return nil
}

// belowWith gives the other functions below the same bridge that are not lent
// along.
func (c *Case) belowWith(f *facts.Function, lent map[facts.Address]bool) []*facts.Function {
	if f.Upstream == nil {
		return nil
	}
	var list []*facts.Function
	for _, other := range c.Facts.Below(*f.Upstream) {
		if other.Address != f.Address && !lent[other.Address] {
			list = append(list, other)
		}
	}
	return list
}
