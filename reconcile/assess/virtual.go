// virtual-function: a guest is to have a virtual function (SR-IOV), and what has made
// it is not with the host, or does more than make it.
//
// A virtual function lives by the function that has made it, its parent. While that
// is on VFIO, or with a guest, the kernel gives none of them to anybody else (Linux
// drivers/vfio/pci/vfio_pci_core.c, vfio_pci_validate_vf_token), and libvirt takes
// the function from the host first all the same. A reset of the parent, an end of its
// driver, or another number of virtual functions takes all of them from whoever has
// them. Those of an NVMe drive may reach the namespaces of their parent, and stay
// offline until the parent gives them queues and interrupts: no driver takes them
// then, and a guest that has one sees a drive that does not answer (measured with
// QEMU 7.2 and Linux 6.1).
//
// Severity: stop where the parent is not with the host or cannot be seen; caution
// where the function is most likely offline, its parent has no driver, or others of
// one drive are lent too; else note.
//
// Remedy: take the parent back first. Leave it alone while one of its virtual
// functions is lent. Of an NVMe drive: bring the function online with nvme-cli.
package assess

import (
	"cmp"
	"fmt"

	"lendkeep/reconcile/facts"
)

func checkVirtual(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if l.Parent == nil {
			continue
		}
		parent := c.Facts.Function(*l.Parent)
		if why := away(c.Facts, parent); why != "" {
			list = append(list, Finding{Severity: l.severity, At: l.at,
				Summary:  shorten("the parent of " + l.name + " " + why),
				Detail:   "It is a virtual function, which nobody but the guest of its parent can have while that is not with a driver of the host's.",
				Causes:   []Cause{causeOf(l.Function, "physfn", l.Parent.String())},
				Remedies: []string{"take the parent back first", "lend another controller"},
			})
			continue
		}
		list = append(list, c.livesBy(l, parent)...)
		list = append(list, c.offline(l, parent)...)
		list = append(list, c.oneDrive(l, parent)...)
	}
	return list
}

// oneDrive tells where several virtual functions of one drive may be with guests: which
// namespaces each reaches shows only while it is with the host.
func (c *Case) oneDrive(l loan, parent *facts.Function) []Finding {
	if !l.Storage() {
		return nil
	}
	var causes []Cause
	for _, other := range c.Facts.Virtuals(parent.Address) {
		name := c.meant[other.Address]
		if other != l.Function && (other.OnVFIO() || name != "" && c.isBorrowed(name)) {
			causes = append(causes, causeOf(other, "physfn", other.Title()+c.usedBy(other)))
		}
	}
	if len(causes) == 0 {
		return nil
	}
	return []Finding{{Severity: Caution, At: l.at,
		Summary:  shorten(l.name + " is not the only one of its drive"),
		Detail:   "Others that " + parent.Title() + " has made are lent, or may be. Where two of them reach one namespace, two guests write one drive and destroy what is on it.",
		Causes:   causes,
		Remedies: []string{"see that no namespace is attached to two controllers: nvme list-ctrl, with each namespace", "lend one of them alone"},
	}}
}

// away says why the parent of a virtual function cannot answer for it; empty: it is
// with the host.
func away(ix *facts.Index, parent *facts.Function) string {
	switch {
	case parent == nil:
		return "is not to be seen"
	case parent.Gap("driver") != nil:
		return "may not be with the host"
	case ix.Holder(parent.Address) != nil && parent.OnVFIO():
		return "is with guest " + ix.Holder(parent.Address).Name
	case parent.OnVFIO():
		return "is on VFIO"
	}
	return ""
}

// livesBy tells what takes a virtual function from its guest.
func (c *Case) livesBy(l loan, parent *facts.Function) []Finding {
	f := Finding{Severity: Note, At: l.at,
		Summary:  shorten(l.name + " lives by its parent"),
		Detail:   "A reset of " + parent.Title() + ", an end of its driver, or another number of virtual functions takes this one from its guest.",
		Causes:   []Cause{causeOf(l.Function, "physfn", parent.Title()+", driver "+cmp.Or(parent.Driver, none))},
		Remedies: []string{"leave " + parent.Address.String() + " alone while it is lent"},
	}
	if parent.Driver == "" {
		f.Severity = Caution
		f.Summary = shorten("the parent of " + l.name + " has no driver")
		f.Detail = "Virtual functions of most cards do nothing without the driver of " + parent.Title() + ". " + f.Detail
		f.Remedies = append([]string{"let its driver take it: echo " + parent.Address.String() + " > /sys/bus/pci/drivers_probe"}, f.Remedies...)
	}
	return []Finding{f}
}

// offline tells of a virtual function of an NVMe drive that no driver has, although
// it is not lent: that it is online shows nowhere else.
func (c *Case) offline(l loan, parent *facts.Function) []Finding {
	if l.Class != facts.ClassNVMe || l.OnVFIO() || l.NVMe != nil && l.NVMe.State == "live" {
		return nil
	}
	device := "/dev/NVME"
	if parent.NVMe != nil {
		device = "/dev/" + parent.NVMe.Name
	}
	id := "N"
	if l.VirtualNumber != nil {
		id = fmt.Sprint(*l.VirtualNumber + 1)
	}
	// Where drivers do not take virtual functions, the kernel lets none take one by
	// whatever way, unless that is named (Linux 6.1 drivers/pci/pci-driver.c,
	// pci_device_can_probe).
	take := "then have a driver take it: echo " + l.Address.String() + " > /sys/bus/pci/drivers_probe"
	if !parent.VirtualProbed {
		take = "then let drivers of the host's take virtual functions, and this one: echo 1 > /sys/bus/pci/devices/" + parent.Address.String() + "/sriov_drivers_autoprobe; echo " + l.Address.String() + " > /sys/bus/pci/drivers_probe"
	}
	return []Finding{{Severity: Caution, At: l.at,
		Summary: shorten(l.name + " may be offline"),
		Detail: "No driver of the host's works with it. A virtual function of an NVMe drive answers nobody until its parent has given it queues and interrupts and set it online; its guest would see a drive that does not answer. " +
			"lendkeep does not do that: how many of them it should have is a matter of the drive, and they are gone when the host starts anew.",
		Causes: []Cause{causeOf(l.Function, "driver", cmp.Or(l.Driver, none)), causeOf(parent, "sriov_drivers_autoprobe", fmt.Sprint(parent.VirtualProbed))},
		Remedies: []string{
			"ask which secondary controller it is, and how it stands: nvme list-secondary " + device,
			fmt.Sprintf("bring it online, most likely as controller %s: nvme virt-mgmt %s -c %s -r 0 -a 8 -n 2; the same with -r 1 -n 1; then with -a 9", id, device, id),
			take,
		},
	}}
}
