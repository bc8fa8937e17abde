package spec

import (
	"fmt"
	"slices"
)

// sameDevice: two controllers that can only be the same device.
func sameDevice(r *reader, l *overview) {
	alike := map[string][]*Controller{} // by serial, or vendor and device
	for i := range l.Controllers {
		c := &l.Controllers[i]
		key := identity(c)
		for _, first := range alike[key] {
			if r.refuseSame(first, c) {
				break
			}
		}
		if key != "" {
			alike[key] = append(alike[key], c)
		}
	}
}

// identity gives what two controllers must have in common to be the same
// device; "" when that is not stated, or wrongly.
func identity(c *Controller) string {
	switch {
	case c.NVMe != nil:
		return c.NVMe.Serial
	case c.PCI != nil && c.PCI.Vendor != 0 && c.PCI.Device != 0:
		return c.PCI.Vendor.String() + ":" + c.PCI.Device.String()
	default:
		return ""
	}
}

// refuseSame reports two controllers of one identity, unless what else they
// state keeps them apart: makers number for themselves, so two models may share
// a serial, and two cards of one kind sit in two slots.
func (r *reader) refuseSame(one, two *Controller) bool {
	names := reference(kindController, one.Name) + " and " + reference(kindController, two.Name)
	switch {
	case one.NVMe != nil && two.NVMe != nil && overlap(one.NVMe.Model, two.NVMe.Model):
		r.refuse(r.of(two.NVMe.At, "serial"), "two controllers are the same device",
			fmt.Sprintf("%s both have the serial %q.", names, two.NVMe.Serial), "remove one, or correct its serial")
	case one.PCI != nil && two.PCI != nil && overlap(one.PCI.Slot, two.PCI.Slot):
		r.refuse(r.ranges[two.PCI.At], "two controllers can be the same device",
			fmt.Sprintf("%s both are %s:%s, and no two different slots tell them apart.", names, two.PCI.Vendor, two.PCI.Device),
			"state the slot of each, or remove one")
	default:
		return false
	}
	return true
}

// overlap tells whether two texts can mean the same thing; empty means any.
func overlap(a, b string) bool { return a == "" || b == "" || a == b }

// lentThoughNever: a serial that is never lent is a controller of the layout.
func lentThoughNever(r *reader, l *overview) {
	for _, c := range l.Controllers {
		if c.NVMe == nil || !slices.Contains(l.Host.NeverLend, c.NVMe.Serial) {
			continue
		}
		r.refuse(r.of(c.NVMe.At, "serial"), "controller is never to be lent",
			fmt.Sprintf("The host's never_lend names the serial %q, at %s.", c.NVMe.Serial,
				placeOf(r.of(l.Host.At, "never_lend"))),
			"remove the controller, or the serial from never_lend")
	}
}

// eraseAnotherDrive: the serial that allows erasing is not the controller's.
func eraseAnotherDrive(r *reader, l *overview) {
	for _, c := range l.Controllers {
		if c.NVMe == nil || c.NVMe.Serial == "" || c.Drive == nil || c.Drive.Erase == "" || c.Drive.Erase == c.NVMe.Serial {
			continue
		}
		r.refuse(r.of(c.Drive.At, "erase"), "erase names another drive",
			fmt.Sprintf("The controller %q has the serial %q; erase says %q.", c.Name, c.NVMe.Serial, c.Drive.Erase),
			"look at the drive's label, then correct the wrong one; do not copy one from the other")
	}
}

// restTwice: only one partition can have all that remains.
func restTwice(r *reader, l *overview) {
	for _, c := range l.Controllers {
		if c.Drive == nil {
			continue
		}
		first := ""
		for _, p := range c.Drive.Partitions {
			switch {
			case !p.Rest:
			case first == "":
				first = p.Name
			default:
				r.refuse(r.of(p.At, "size"), "two partitions take the rest of a drive",
					fmt.Sprintf("The partition %q already takes all that remains.", first), "state the size of one of them")
			}
		}
	}
}
