// override: a function that is to be lent, or put aside for the sake of one, is kept
// with a driver by its driver_override, and comes back without that.
//
// driver_override names the one driver that may take a function, whatever else would
// match it: people keep a card from the host so, by pci-stub for example (Linux
// Documentation/ABI/testing/sysfs-bus-pci). libvirt writes vfio-pci there when a guest
// starts, and clears it when the guest has ended (libvirt src/util/virpci.c,
// virPCIDeviceUnbindFromStub; measured with libvirt 9.0.0). The function is then with
// the driver that the kernel finds for it, and what hangs on it appears on the host. An
// order writes vfio-pci there too where it puts a function aside; its undo writes
// again what was there, a later order that takes the function back does not.
//
// Severity: caution.
//
// Remedy: have it written anew after each return, or do without it.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkOverrides(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if !l.Overridden() {
			continue
		}
		list = append(list, overridden(l.Function, l.name, l.at, "libvirt clears that once the guest has ended"))
	}
	for _, found := range c.putAside() {
		for _, f := range found.Functions {
			if f.Overridden() {
				list = append(list, overridden(f, "controller "+found.Controller.Name, found.Controller.At,
					"An order that puts it aside on VFIO writes over that, and only its undo writes it again, where the function has its driver by it: an order that takes it back clears it"))
			}
		}
	}
	return list
}

func overridden(f *facts.Function, name string, at spec.Place, clears string) Finding {
	return Finding{Severity: Caution, At: at,
		Summary:  shorten(name + " comes back with the kernel's own driver"),
		Detail:   fmt.Sprintf("Its driver_override says %s. %s, and the host then uses the function as it would without.", f.DriverOverride, clears),
		Causes:   []Cause{causeOf(f, "driver_override", f.DriverOverride)},
		Remedies: []string{"write it anew after each return, and have the driver take it: echo " + plain.Quoted(f.DriverOverride) + " into driver_override, its address into driver/unbind and then into /sys/bus/pci/drivers_probe", "do without it, if the host may use the function"},
	}
}
