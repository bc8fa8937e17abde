// not-carried-out: the layout states something that this lendkeep reads and
// checks but does not carry out. An order leaves it alone.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkNotCarriedOut(c *Case) []Finding {
	var list []Finding
	add := func(at spec.Place, what, meanwhile string) {
		list = append(list, Finding{Severity: Caution, At: at,
			Summary:  shorten(what + " is not carried out"),
			Detail:   "This version reads and checks it, but no order does anything about it.",
			Causes:   []Cause{{at.String(), what}},
			Remedies: []string{meanwhile},
		})
	}
	for _, controller := range c.Layout.Controllers {
		if d := controller.Drive; d != nil && d.CopyOf != "" {
			add(d.At, "copy_of of "+controller.Name, "move the system by hand: shut the guest down, then qemu-img convert to the drive, then compare")
		}
		for _, part := range c.unmade(c.Found(controller.Name)) {
			add(part.At, "partition "+part.Name+" of "+controller.Name, "make it by hand, with that GPT name: sgdisk -n 0:0:0 -c 0:"+part.Name+" on its drive")
		}
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		// Where the firmware reads NVMe by itself nothing is to be done.
		if start, ok := c.Start(g); ok && (start.Way == ByROM || start.Way == ByDisk) && c.Change(g).ROM == nil {
			shim := c.Layout.Shim(g.Shim.Name)
			add(g.Shim.At, "shim of guest "+g.Name, fmt.Sprintf("build it with lendkeep shim build --donor %s --as %s and put it into the definition by hand: virsh edit %s", shim.Donor, shim.As, g.Name))
		}
	}
	return list
}

// unmade gives the stated partitions that are not on the drives of a controller
// which is home.
func (c *Case) unmade(found Found) []spec.Partition {
	var list []spec.Partition
	if found.Where != facts.Home || found.Controller.Drive == nil {
		return nil
	}
	for _, part := range found.Controller.Drive.Partitions {
		if c.Facts.PartitionNamed(found.Function.Address, part.Name) == nil {
			list = append(list, part)
		}
	}
	return list
}
