// goes-along: other functions leave the host together with a controller: members of
// its IOMMU group that a guest borrows too. Of others of the same card that stay tells
// lone-function, of those that its reset resets tells reset.
//
// Severity: note.
//
// Remedy: see that nothing on the host needs them while the controller is lent.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"

	"lendkeep/spec/plain"
)

func checkAlong(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		others := c.alongWith(found.Functions)
		if len(others) == 0 {
			continue
		}
		list = append(list, Finding{Severity: Note, At: found.Controller.At,
			Summary:  shorten(fmt.Sprintf("lent with %s: %s", found.Controller.Name, plain.Count(len(others), "other device"))),
			Detail:   "What shares its IOMMU group leaves the host with it.",
			Causes:   titles(others),
			Remedies: []string{"see that nothing on the host needs them while the controller is lent"},
		})
	}
	return list
}

// alongWith lists endpoints only: ports and bridges stay with the host.
func (c *Case) alongWith(lent []*facts.Function) []*facts.Function {
	var list []*facts.Function
	seen := map[facts.Address]bool{}
	for _, f := range lent {
		seen[f.Address] = true
	}
	for _, f := range lent {
		if f.Group == nil {
			continue
		}
		for _, other := range c.Facts.Group(*f.Group) {
			if other.HeaderType == 0 && !seen[other.Address] {
				seen[other.Address] = true
				list = append(list, other)
			}
		}
	}
	return list
}
