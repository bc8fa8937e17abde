// order-at-boot: a guest that starts with the host needs what an order has done and a
// restart of the host undoes.
//
// What is put aside on VFIO for the sake of a controller's IOMMU group is with the
// host's driver again after a restart, and virtual functions (SR-IOV) are gone: the
// kernel keeps neither driver_override nor sriov_numvfs (Linux
// Documentation/ABI/testing/sysfs-bus-pci). libvirt starts the guest all the same, and
// it fails, or the guard refuses it. Whether a unit or a udev rule of the host's does
// it at boot is not looked for. Huge pages are told of by pages-at-boot.
//
// Severity: caution.
//
// Remedy: do not have the guest start with the host, and carry an order out after a
// restart; or have something of the host's own do it before libvirt starts guests.
package assess

import (
	"fmt"

	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkAtBoot(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		known := c.Facts.Guest(g.Name)
		if g.Retired || known == nil || !known.Autostart {
			continue
		}
		causes := c.undoneAtBoot(g)
		if len(causes) == 0 {
			continue
		}
		list = append(list, Finding{Severity: Caution, At: g.At,
			Summary: shorten("guest " + g.Name + " cannot start with the host"),
			Detail:  "libvirt starts it when the host has started, and what it needs from an order is gone then. Whether anything of the host's own does that before was not looked for.",
			Causes:  append(causes, Cause{"libvirt", "guest " + g.Name + " starts with the host"}),
			Remedies: []string{"do not have it start with the host: virsh autostart --disable " + plain.Quoted(g.Name) + ", and carry an order out after a restart before you start it",
				"have a unit of systemd that comes before libvirt's write the same into the files above"},
		})
	}
	return list
}

// undoneAtBoot gives what a guest needs that only an order does, and where that is to
// be seen.
func (c *Case) undoneAtBoot(g *spec.Guest) (list []Cause) {
	seen := map[string]bool{}
	add := func(name string, cause Cause) {
		if !seen[name] {
			seen[name], list = true, append(list, cause)
		}
	}
	for _, ref := range g.Borrows {
		found := c.Found(ref.Name)
		for _, f := range found.Functions {
			for _, along := range c.Companions(f) {
				add(along.Controller.Name, causeOf(along.Function, "driver_override", "controller "+along.Controller.Name+" is put aside on VFIO for "+ref.Name))
			}
		}
		if found.Controller.Virtual == nil {
			continue
		}
		if parent := c.Found(found.Controller.Virtual.Of.Name); parent.Function != nil && parent.Controller.VirtualFunctions != nil {
			add(parent.Controller.Name, causeOf(parent.Function, "sriov_numvfs", fmt.Sprintf("the layout has it make %d, of which guest %s borrows %s", *parent.Controller.VirtualFunctions, g.Name, ref.Name)))
		}
	}
	return list
}
