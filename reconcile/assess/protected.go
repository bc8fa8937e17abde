// protected: a controller that a guest shall borrow, or that is put aside for
// the sake of its IOMMU group, must never be lent. Those
// are the ones on the layout's never_lend list, and every controller whose
// drives hold the host's own system: root, /boot, /usr, /var, the ESP.
//
// Severity: stop.
//
// Remedy: lend another controller.
package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
)

func checkProtected(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.taken()) {
		f := Finding{Severity: Stop, At: found.Controller.At,
			Summary:  "controller " + found.Controller.Name + " is never lent",
			Remedies: []string{"lend another controller"},
		}
		if serial := c.Facts.SerialOf(found.Function); serial != "" && slices.Contains(c.Layout.Host.NeverLend, serial) {
			f.Detail = "The layout lists its serial under never_lend."
			f.Causes = []Cause{{c.Layout.Host.At.String(), "never_lend has " + serial}}
			list = append(list, f)
		}
		for _, use := range c.Uses(found.Function.Address) {
			if use.Kind != facts.UseSystem {
				continue
			}
			f.Detail = "The host's own system is on it: lending it takes the system from under the running host."
			f.Causes = []Cause{{"/proc/self/mountinfo", use.String()}}
			list = append(list, f)
			break
		}
	}
	return list
}

// borrowed gives the controllers that some guest which is not retired borrows.
func (c *Case) borrowed() []Found { return slices.Clip(c.lent) }
