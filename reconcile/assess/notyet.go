// not-carried-out: the layout states something that this lendkeep reads and
// checks but does not carry out. An order leaves it alone.
//
// Severity: caution.
//
// Remedy: do it by hand, as the finding says, or take it out of the layout.
package assess

import (
	"fmt"

	"lendkeep/spec"
)

func checkNotCarriedOut(c *Case) []Finding {
	var list []Finding
	add := func(at spec.Place, what, meanwhile string) {
		list = append(list, Finding{Severity: Caution, At: at,
			Summary:  shorten(what + " is not carried out"),
			Detail:   "This version reads and checks it, but no order does anything about it.",
			Causes:   []Cause{{at.String(), what}},
			Remedies: []string{meanwhile},
		})
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		// Where the firmware reads NVMe by itself nothing is to be done.
		if start, ok := c.Start(g); ok && (start.Way == ByROM || start.Way == ByDisk) && c.Change(g).ROM == nil && c.Change(g).Shim == nil {
			shim := c.Layout.Shim(g.Shim.Name)
			add(g.Shim.At, "shim of guest "+g.Name, fmt.Sprintf("build it with lendkeep shim build --donor %s --as %s and put it into the definition by hand: virsh edit %s", shim.Donor, shim.As, g.Name))
		}
	}
	return list
}
