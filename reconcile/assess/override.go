// override: a function that is to be lent is kept with a driver by its
// driver_override, and comes back without that.
//
// driver_override names the one driver that may take a function, whatever else would
// match it: people keep a card from the host so, by pci-stub for example (Linux
// Documentation/ABI/testing/sysfs-bus-pci). libvirt writes vfio-pci there when a guest
// starts, and clears it when the guest has ended (libvirt src/util/virpci.c,
// virPCIDeviceUnbindFromStub; measured with libvirt 9.0.0). The function is then with
// the driver that the kernel finds for it, and what hangs on it appears on the host.
//
// Severity: caution.
//
// Remedy: have it written anew after each return, or do without it.
package assess

import (
	"fmt"

	"lendkeep/spec/plain"
)

func checkOverrides(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if !l.Overridden() {
			continue
		}
		list = append(list, Finding{Severity: Caution, At: l.at,
			Summary:  shorten(l.name + " comes back with the kernel's own driver"),
			Detail:   fmt.Sprintf("Its driver_override says %s. libvirt clears that once the guest has ended, and the host then uses the function as it would without.", l.DriverOverride),
			Causes:   []Cause{causeOf(l.Function, "driver_override", l.DriverOverride)},
			Remedies: []string{"write it anew after each return, and have the driver take it: echo " + plain.Quoted(l.DriverOverride) + " into driver_override, its address into driver/unbind and then into /sys/bus/pci/drivers_probe", "do without it, if the host may use the function"},
		})
	}
	return list
}
