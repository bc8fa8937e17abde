// virtual-count: the layout states another number of virtual functions (SR-IOV) than a
// controller has.
//
// An order sets the number, with an undo. All virtual functions that are there go
// first: the kernel makes another number only after none (Linux
// Documentation/PCI/pci-iov-howto.rst, drivers/pci/iov.c). So it is done only while
// nobody has one or uses one, none of an NVMe drive is online, which no undo would set
// up again, and the controller is with its own driver. Which
// functions they then are, in which IOMMU groups, only the kernel says: guests that
// borrow one are left as they are until the next order. The number is gone when the
// host starts anew.
//
// Severity: stop where it cannot be done; caution where somebody waits for it, or the
// host uses the controller, whose driver may pause it.
//
// Remedy: end every use of its virtual functions, take those of an NVMe drive away by
// hand, then plan and apply; plan again after it.
package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

func checkVirtualCount(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		if found.Controller.VirtualFunctions == nil || found.Function == nil {
			continue
		}
		f := Finding{At: found.Controller.At, Causes: []Cause{causeOf(found.Function, "sriov_numvfs", fmt.Sprint(found.Function.Virtual)), {found.Controller.At.String(), fmt.Sprintf("virtual_functions = %d", *found.Controller.VirtualFunctions)}}}
		if c.uncountable(found, &f) {
			list = append(list, f)
			continue
		}
		if _, _, changes := c.Remakes(found); changes {
			list = append(list, c.recounted(found, f)...)
		}
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if !c.Awaits(g) {
			continue
		}
		var causes []Cause
		for _, ref := range g.Borrows {
			if found := c.Found(ref.Name); found.Unmade {
				causes = append(causes, Cause{found.Controller.At.String(), found.Why})
			}
		}
		list = append(list, Finding{Severity: Caution, At: g.At,
			Summary:  shorten("guest " + g.Name + " waits for virtual functions"),
			Detail:   "This order has them made, and leaves the guest as it is, since which functions they are only the kernel says.",
			Causes:   causes,
			Remedies: []string{"apply this order, then plan again: the next one lends them"},
		})
	}
	return list
}

// uncountable notes why the number that is stated cannot be brought about.
func (c *Case) uncountable(found Found, f *Finding) bool {
	name, want := found.Controller.Name, *found.Controller.VirtualFunctions
	f.Severity = Stop
	for _, fact := range []string{"virtual_functions", "most_virtual"} {
		if gap := found.Function.Gap(fact); gap != nil {
			f.Summary = shorten("virtual functions of " + name + " are not known")
			f.Detail = "How many it has, or can make, could not be read: " + gap.Reason + "."
			f.Causes = append(f.Causes, Cause{gap.Path, gap.Reason})
			f.Remedies = []string{"run lendkeep as root", "take virtual_functions out of the layout"}
			return true
		}
	}
	made, _ := c.Facts.MakesVirtual(found.Function)
	if made == want {
		return false
	}
	f.Remedies = []string{"state virtual_functions = " + fmt.Sprint(made) + ", or none"}
	if found.Where != facts.Home {
		f.Summary = shorten(fmt.Sprintf("%s is %s, and has to make virtual functions", name, found.Where))
		f.Detail = "Only a driver of the host's has it make another number."
		f.Remedies = append(f.Remedies, "take it back first")
		return true
	}
	if err := c.Facts.Remakable(found.Function, want); err != nil {
		f.Summary = shorten(fmt.Sprintf("%s cannot make %s now", name, plain.Count(want, "virtual function")))
		f.Detail = fmt.Sprintf("It has %d, and all of them go before it makes another number. But %s.", made, strings.TrimSuffix(err.Error(), "."))
		for _, v := range c.Facts.Virtuals(found.Function.Address) {
			if why := c.Facts.InTheWay(v); why != "" {
				f.Causes = append(f.Causes, causeOf(v, "", why))
			}
		}
		f.Remedies = append([]string{"end every use of its virtual functions, shut down the guests that have one"}, f.Remedies...)
		if slices.ContainsFunc(c.Facts.Virtuals(found.Function.Address), func(v *facts.Function) bool { return v.NVMe != nil }) {
			f.Remedies = append(f.Remedies, "take them away by hand, where nothing of them is needed any more: echo 0 > /sys/bus/pci/devices/"+found.Function.Address.String()+"/sriov_numvfs")
		}
		return true
	}
	return false
}

// recounted tells what another number means for who uses the controller, and what is
// left to a person.
func (c *Case) recounted(found Found, f Finding) []Finding {
	var list []Finding
	if uses := c.Facts.LiveUses(found.Function.Address); len(uses) > 0 {
		f := f
		f.Severity = Caution
		f.Summary = shorten("the host uses " + found.Controller.Name + " while its number changes")
		f.Detail = "Its driver may set it up anew as it makes virtual functions: a network link can go down for some seconds."
		f.Causes = append(f.Causes[:len(f.Causes):len(f.Causes)], Cause{uses[0].Chain[0], uses[0].Told()})
		f.Remedies = []string{"give the order at the host's own console, when nobody depends on it"}
		list = append(list, f)
	}
	if found.Function.Class == facts.ClassNVMe && *found.Controller.VirtualFunctions > 0 {
		f.Severity = Caution
		f.Summary = shorten("virtual functions of " + found.Controller.Name + " will be offline")
		f.Detail = "Those of an NVMe drive answer nobody until each has queues and interrupts and is set online, which lendkeep does not do. The next plan says it of each."
		f.Remedies = []string{"bring each online once they are there: nvme list-secondary, nvme virt-mgmt"}
		list = append(list, f)
	}
	return list
}
