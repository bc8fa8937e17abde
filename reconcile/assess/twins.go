// twins: several functions of the host are of the same kind as a controller
// that is to be lent.
//
// A VFIO binding by vendor and device number, in a modprobe file or on the
// kernel's command line, takes all of them at boot, the host's own drive
// included. lendkeep binds single functions by address at the moment of use
// (driver_override) and needs no such binding.
//
// Severity: note; caution where a binding by kind takes them at boot.
//
// Remedy: remove that binding and rebuild the initramfs. Never bind VFIO by
// vendor and device number on such a host.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// kind is vendor and device number together.
type kind struct{ vendor, device pci.ID }

func checkTwins(c *Case) []Finding {
	var list []Finding
	told := map[kind]bool{}
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		for _, f := range found.Functions {
			of := kind{f.Vendor, f.Device}
			if told[of] {
				continue
			}
			told[of] = true
			list = append(list, c.claimed(of, found.Controller.At)...)
			list = append(list, c.alikeTo(found, f)...)
		}
	}
	return list
}

// alikeTo tells of the functions that are of the kind of one of a controller's, but
// not the controller's too, as the ports of a network card are.
func (c *Case) alikeTo(found Found, f *facts.Function) []Finding {
	if f.Parent != nil {
		return nil // its number tells it from all others
	}
	alike := slices.DeleteFunc(physical(c.Facts.OfKind(f.Vendor, f.Device)), func(other *facts.Function) bool {
		return other != f && slices.Contains(found.Functions, other)
	})
	if len(alike) < 2 {
		return nil
	}
	return []Finding{{Severity: Note, At: found.Controller.At,
		Summary:  shorten(fmt.Sprintf("%d devices are of the kind of %s", len(alike), found.Controller.Name)),
		Detail:   "Only serial, slot or address tell them apart. The layout means " + f.Title() + ".",
		Causes:   titles(alike),
		Remedies: []string{"never bind VFIO by vendor and device number on this host"},
	}}
}

func (c *Case) claimed(of kind, at spec.Place) []Finding {
	var list []Finding
	alike := c.Facts.OfKind(of.vendor, of.device)
	for _, claim := range c.Facts.Survey.Claims {
		if claim.Vendor != of.vendor || claim.Device != of.device {
			continue
		}
		list = append(list, Finding{Severity: Caution, At: at,
			Summary:  fmt.Sprintf("VFIO takes every %s:%s at boot", of.vendor, of.device),
			Detail:   fmt.Sprintf("%s binds by kind. The host has %d of this kind; none of them is the host's after the next boot, and a controller that libvirt finds on VFIO stays there after its guest has ended.", claim.From, len(alike)),
			Causes:   append([]Cause{{claim.From, fmt.Sprintf("ids=%s:%s", claim.Vendor, claim.Device)}}, titles(alike)...),
			Remedies: []string{"remove the binding from " + claim.From + " and rebuild the initramfs"},
		})
	}
	return list
}
