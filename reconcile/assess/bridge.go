// bridge: what shall be lent is a bridge or a port, not a device. What lies
// behind it belongs to the host, and the kernel binds none to VFIO (Linux
// drivers/vfio/pci/vfio_pci_core.c: header type normal alone). Bridges of the
// chipset, such as the one to the firmware's flash, have the header of a device
// and would be lent.
//
// Severity: stop.
//
// Remedy: lend the device behind it.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

func checkBridges(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.taken()) {
		f := found.Function
		if !f.Bridge() {
			continue
		}
		list = append(list, Finding{Severity: Stop, At: found.Controller.At,
			Summary:  shorten("controller " + found.Controller.Name + " is a bridge"),
			Detail:   f.Title() + " is a bridge or a port, which is the host's own.",
			Causes:   []Cause{causeOf(f, "class", fmt.Sprintf("%06x, header type %d", f.Class, f.HeaderType))},
			Remedies: []string{"lend the device behind it"},
		})
	}
	return list
}

// devices gives the functions of the host that are no bridges, by address.
func devices(ix *facts.Index) []*facts.Function {
	var list []*facts.Function
	for i := range ix.Survey.Functions {
		if f := &ix.Survey.Functions[i]; !f.Bridge() {
			list = append(list, f)
		}
	}
	return list
}
