// twins: several functions of the host are of the same kind as a controller
// that is to be lent.
//
// A VFIO binding by vendor and device number, in a modprobe file or on the
// kernel's command line, takes all of them at boot, the host's own drive
// included. lendkeep binds single functions by address at the moment of use
// (driver_override) and needs no such binding.
package assess

import "fmt"

func checkTwins(c *Case) []Finding {
	var list []Finding
	for _, controller := range c.Layout.Controllers {
		found := c.Found(controller.Name)
		if found.Function == nil {
			continue
		}
		f := found.Function
		alike := c.Facts.OfKind(f.Vendor, f.Device)
		for _, claim := range c.Facts.Survey.Claims {
			if claim.Vendor != f.Vendor || claim.Device != f.Device {
				continue
			}
			list = append(list, Finding{Severity: Caution, At: controller.At,
				Summary:  fmt.Sprintf("VFIO takes every %s:%s at boot", f.Vendor, f.Device),
				Detail:   fmt.Sprintf("%s binds by kind. The host has %d of this kind; none of them is the host's after the next boot, and a controller that libvirt finds on VFIO stays there after its guest has ended.", claim.From, len(alike)),
				Causes:   append([]Cause{{claim.From, fmt.Sprintf("ids=%s:%s", claim.Vendor, claim.Device)}}, titles(alike)...),
				Remedies: []string{"remove the binding from " + claim.From + " and rebuild the initramfs"},
			})
		}
		if len(alike) > 1 {
			list = append(list, Finding{Severity: Note, At: controller.At,
				Summary:  fmt.Sprintf("%d devices are of the kind of %s", len(alike), controller.Name),
				Detail:   "Only serial, slot or address tell them apart. The layout means " + f.Title() + ".",
				Causes:   titles(alike),
				Remedies: []string{"never bind VFIO by vendor and device number on this host"},
			})
		}
	}
	return list
}
