// controller-identity: a controller of the layout was not found on the host,
// or more than one function answers to its description.
//
// A controller is known by what it is: the serial number that an NVMe
// controller gives of itself, or vendor and device number, and PCI Express device
// serial number or slot. Names (nvme0) and addresses (0000:01:00.0) move between
// boots and when cards are added, so lendkeep never goes by them.
//
// Severity: stop; caution where no guest borrows it, none that is to be started waits
// for what its return mounts, and it is not one of several.
//
// Remedy: compare the layout with the list that `lendkeep survey` prints; see
// whether the card sits in its slot and shows up in lspci. Of several that fit:
// state a model, a device serial number or a slot.
//
// known-by-record: a controller that is lent cannot be asked who it is. It is
// then known by the record that lendkeep keeps in the guest's definition.
//
// Severity: note.
//
// Remedy: take the controller back to have it say its serial.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkIdentity(c *Case) []Finding {
	var list []Finding
	for _, controller := range c.Layout.Controllers {
		found := c.Found(controller.Name)
		if found.Why == "" || found.Unmade {
			continue // virtual-count speaks of those that are yet to be made
		}
		f := Finding{Severity: Stop, At: controller.At,
			Summary:  "controller " + controller.Name + " was not found",
			Detail:   "Nothing can be said or done about a controller that is not there: " + found.Why + ".",
			Causes:   []Cause{{"/sys/bus/pci/devices", found.Why}},
			Remedies: []string{"compare the layout with the list that lendkeep survey prints", "see whether the card sits in its slot and shows up in lspci; fitting a card is work for a powered-off, unplugged machine, by its maker's manual"},
		}
		if virtual := found.Controller.Virtual; virtual != nil && found.Parent.Function != nil {
			f.Remedies = []string{fmt.Sprintf("state virtual_functions = %d or more in controller %s, and have an order make them", virtual.Number+1, virtual.Of.Name),
				"see which it has: ls -l /sys/bus/pci/devices/" + found.Parent.Function.Address.String() + "/virtfn*"}
		}
		if len(found.Near) > 0 {
			f.Detail += " Did you mean " + listed(found.Near) + "?"
			f.Remedies = append(c.namingsAs(found, found.Near), f.Remedies...)
		}
		waits, path := c.waitsFor(found.Controller)
		switch {
		case waits != "":
			f.Detail += fmt.Sprintf(" Guest %s is to be started and has disks below %s, where its return mounts a filesystem.", waits, path)
			f.Remedies = append(f.Remedies, "leave the guest out of the shift until the drive is there")
		case len(c.Borrowers(controller.Name)) == 0:
			f.Severity = Caution
		}
		if found.Function != nil {
			f.Summary = "controller " + controller.Name + " does not work"
			f.Causes = []Cause{causeOf(found.Function, "nvme/"+found.Function.NVMe.Name+"/state", found.Function.NVMe.State)}
			f.Remedies = []string{"read the kernel's log for this controller", "power the machine off and on again"}
		}
		if len(found.Several) > 0 {
			f.Severity = Stop
			f.Summary = "controller " + controller.Name + " is ambiguous"
			f.Detail = "lendkeep would have to guess which one is meant: " + found.Why + "."
			f.Causes = titles(found.Several)
			f.Remedies = c.namingsAs(found, found.Several)
			if len(f.Remedies) < len(found.Several) {
				f.Detail += " Nothing that a layout can state tells all of them apart."
				f.Remedies = append(f.Remedies, "take the other out or move it to a slot that the host can name; work for a powered-off, unplugged machine, by its maker's manual")
			}
		}
		list = append(list, f)
	}
	return list
}

// waitsFor names a guest that is to be started and has disks below a return mount of a
// controller, and that mount's place.
func (c *Case) waitsFor(controller *spec.Controller) (guest, path string) {
	for _, m := range controller.Return.Mounts {
		if name := c.waiting(m.Path); name != "" { // what is mounted there is not its own, or that of one that does not work
			return name, m.Path
		}
	}
	return "", ""
}

func titles(functions []*facts.Function) []Cause {
	var list []Cause
	for _, f := range functions {
		value := f.Title()
		if f.Slot != "" {
			value += ", slot " + f.Slot
		}
		if f.DeviceSerial != "" {
			value += ", device serial number " + f.DeviceSerial
		}
		list = append(list, causeOf(f, "", value))
	}
	return list
}

func checkRecords(c *Case) []Finding {
	var list []Finding
	for _, controller := range c.Layout.Controllers {
		found := c.Found(controller.Name)
		if !found.ByRecord {
			continue
		}
		whose := "a guest that is off"
		if found.Holder != nil {
			whose = "guest " + found.Holder.Name + ", which has it now"
		}
		list = append(list, Finding{Severity: Note, At: controller.At,
			Summary: "controller " + controller.Name + " is known by record",
			Detail: fmt.Sprintf("It is %s, so it cannot be asked for its serial. That it is %s is what the record in the definition of %s says; vendor and device number agree.",
				found.Where, found.Function.Address, whose),
			Causes:   []Cause{causeOf(found.Function, "driver", found.Function.Driver)},
			Remedies: []string{"take it back to have it say its serial"},
		})
	}
	return list
}
