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
		for _, key := range identities(c) {
			if slices.ContainsFunc(alike[key], func(first *Controller) bool { return r.refuseSame(first, c, key) }) {
				break
			}
		}
		for _, key := range identities(c) {
			alike[key] = append(alike[key], c)
		}
	}
}

// identities gives what of it two controllers have in common that are the same
// device: one text, and one for each kind of function of a whole slot. None where
// that is not stated, or wrongly.
func identities(c *Controller) []string {
	switch {
	case c.NVMe != nil && c.NVMe.Serial != "":
		return []string{c.NVMe.Serial}
	case c.Virtual != nil && c.Virtual.Of.Name != "":
		return []string{fmt.Sprintf("virtual function %d of %s", c.Virtual.Number, reference(kindController, c.Virtual.Of.Name))}
	case c.PCI == nil || c.PCI.Vendor == 0 || c.PCI.Device == 0:
		return nil
	case len(c.PCI.Functions) > 0:
		list := kinds(c.PCI.Functions)
		slices.Sort(list)
		return slices.Compact(list)
	default:
		return []string{Kind{c.PCI.Vendor, c.PCI.Device}.String()}
	}
}

// refuseSame reports two controllers of one identity, unless what else they
// state keeps them apart: makers number for themselves, so two models may share
// a serial, two cards of one kind sit in two slots, have two device serial numbers or subsystems,
// two ports of a card have two function numbers, and whole slots are told apart by all their functions.
func (r *reader) refuseSame(one, two *Controller, key string) bool {
	names := reference(kindController, one.Name) + " and " + reference(kindController, two.Name)
	switch {
	case one.NVMe != nil && two.NVMe != nil && overlap(one.NVMe.Model, two.NVMe.Model):
		r.refuse(r.of(two.NVMe.At, "serial"), "two controllers are the same device",
			fmt.Sprintf("%s both have the serial %q.", names, two.NVMe.Serial), "remove one, or correct its serial")
	case one.PCI != nil && two.PCI != nil && !toldApart(one.PCI, two.PCI):
		hint := "state the slot, the device_serial, the function or the subsystem of each, or remove one"
		if (len(one.PCI.Functions) > 0) != (len(two.PCI.Functions) > 0) {
			hint = "remove one of them: functions that belong together are lent as one; or state the slot, the device_serial or the subsystem of each"
		}
		r.refuse(r.ranges[two.PCI.At], "two controllers can be the same device",
			fmt.Sprintf("%s both are %s, and no two different slots, device serial numbers, functions or subsystems tell them apart.", names, key), hint)
	case one.Virtual != nil && two.Virtual != nil && !r.isBroken(one.Virtual.At, "number") && !r.isBroken(two.Virtual.At, "number"):
		r.refuse(r.ranges[two.Virtual.At], "two controllers are the same device", fmt.Sprintf("%s both are %s.", names, key), "remove one, or correct its number")
	default:
		return false
	}
	return true
}

// toldApart tells whether two of one kind state something by which no device is both.
func toldApart(one, two *PCIIdentity) bool {
	numbers := one.Function != nil && two.Function != nil && *one.Function != *two.Function
	wholes := len(one.Functions) > 0 && len(two.Functions) > 0 && !slices.Equal(one.Functions, two.Functions)
	return numbers || wholes || !overlap(one.Slot, two.Slot) || !overlap(one.Serial, two.Serial) || !overlap(one.Subsystem, two.Subsystem)
}

// driveOfSlot: drives are found, written and mounted by a function of their own.
func driveOfSlot(r *reader, l *overview) {
	for _, c := range l.Controllers {
		switch {
		case c.Drive == nil:
		case c.PCI != nil && len(c.PCI.Functions) > 0:
			r.refuse(r.ranges[c.Drive.At], "a whole slot has no drive",
				"A drive is told by the function that it hangs on.", "state the drive in a controller of that function alone")
		case c.Virtual != nil:
			r.refuse(r.ranges[c.Drive.At], "a virtual function has no drive of its own",
				"What it reaches may be its parent's, and others' as well.", "state the drive in the controller that makes it, or leave it to the guest")
		}
	}
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
