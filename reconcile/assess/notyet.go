// not-carried-out: the layout states something that no order can do on this host
// as it is. An order leaves it alone.
//
// Severity: caution.
//
// Remedy: mend what stands in the way, as the finding says; or do it by hand, or
// take it out of the layout.
package assess

import (
	"fmt"

	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkNotCarriedOut(c *Case) []Finding {
	var list []Finding
	add := func(at spec.Place, what, meanwhile string) {
		list = append(list, Finding{Severity: Caution, At: at,
			Summary:  shorten(what + " is not carried out"),
			Detail:   "Orders build shims, but not this one on this host: what it is made of, or the place where it goes, is not there or not known.",
			Causes:   []Cause{{at.String(), what}},
			Remedies: []string{"see to what the finding boot says of this guest, and plan again", meanwhile},
		})
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		// Where the firmware reads NVMe by itself nothing is to be done.
		if start, ok := c.Start(g); ok && (start.Way == ByROM || start.Way == ByDisk) && c.Change(g).ROM == nil && c.Change(g).Shim == nil {
			shim := c.Layout.Shim(g.Shim.Name)
			add(g.Shim.At, "shim of guest "+g.Name, fmt.Sprintf("build it with lendkeep shim build --donor %s --as %s and put it into the definition by hand: virsh edit %s", plain.Quoted(shim.Donor), shim.As, plain.Quoted(g.Name)))
		}
	}
	return list
}
