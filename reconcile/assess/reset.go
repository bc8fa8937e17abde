// reset: a controller that is to be lent cannot be reset at all, or only
// together with others below the same bridge.
//
// Between two guests, and between guest and host, a function must be reset, or
// it keeps what the last user left in it. The kernel says what it can do in
// reset_method (Linux Documentation/ABI/testing/sysfs-bus-pci, since 5.15);
// where the attribute is absent there is no way.
package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
)

func checkReset(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		f := found.Function
		// Before 5.15 an absent attribute says nothing.
		if f == nil || f.Gap("reset_method") != nil || !facts.KernelAtLeast(c.Facts.Survey.Machine.Kernel, 5, 15) {
			continue
		}
		switch {
		case len(f.ResetMethods) == 0:
			list = append(list, Finding{Severity: Caution, At: found.Controller.At,
				Summary:  "controller " + found.Controller.Name + " cannot be reset",
				Detail:   "It may not work for its next user after a guest has ended, the host included, until the machine is powered off and on.",
				Causes:   []Cause{causeOf(f, "reset_method", "(absent)")},
				Remedies: []string{"try lending and returning it while nothing of value is on it", "lend another controller"},
			})
		case !slices.ContainsFunc(f.ResetMethods, func(m string) bool { return m != "bus" }) && len(c.besides(f)) > 0:
			others := c.besides(f)
			list = append(list, Finding{Severity: Stop, At: found.Controller.At,
				Summary:  "resetting " + found.Controller.Name + " resets others",
				Detail:   "It can only be reset through its bus, which resets everything below the same bridge; the kernel refuses that while others use it.",
				Causes:   append([]Cause{causeOf(f, "reset_method", "bus")}, titles(others)...),
				Remedies: []string{"lend the others to the same guest", "move the card to a slot of its own"},
			})
		}
	}
	return list
}

// besides gives the other functions below the same bridge that do not go to
// every guest which borrows this one.
func (c *Case) besides(f *facts.Function) []*facts.Function {
	if f.Upstream == nil {
		return nil
	}
	var list []*facts.Function
	for _, other := range c.Facts.Below(*f.Upstream) {
		if other.Address != f.Address && !c.lentAlong(f, other) {
			list = append(list, other)
		}
	}
	return list
}

func (c *Case) lentAlong(f, other *facts.Function) bool {
	for i := range c.Layout.Controllers {
		name := c.Layout.Controllers[i].Name
		if c.Found(name).Function != f {
			continue
		}
		for _, g := range c.Borrowers(name) {
			if !c.lentWith(g)[other.Address] {
				return false
			}
		}
		return true
	}
	return false
}
