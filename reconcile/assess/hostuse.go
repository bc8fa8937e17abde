// host-use: the host uses a drive behind a controller that a guest shall
// borrow, or that is put aside for the sake of its IOMMU group, at whatever
// depth: a mount, swap, LVM, md, encryption, a loop device, a running guest's
// disk, a drive elsewhere that the host reaches over it (NVMe over Fabrics, iSCSI), a
// network interface and what is built on it, a session that comes over it, the
// console, whatever is plugged into it or below it and has a driver, a device of it
// that a process has open. What cannot be told apart from use counts as use.
//
// libvirt checks none of this: it unbinds the driver under a mounted
// filesystem, writes still report success and are lost, and only sync says
// EIO (measured with libvirt 9.0.0 and Linux 6.1). Mounts that the
// controller's own return rule makes are no finding: the order unmounts and
// mounts them itself.
//
// Severity: stop; caution for a use of none of its drives while the controller stays
// with the host in the shift that is aimed at, and nothing is written to its drive: a
// keyboard, say, that its driver has again since the controller came back. Of its drives
// every order of the layout has udev leave alone what is not stated as the host's, so
// that a volume or array of the host's would not be there after its next start.
//
// Remedy: end that use: unmount, swapoff, take the drive out of its group or
// array, each by its own tool; or let the layout do it, by a return rule with the
// mount.
package assess

import (
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkHostUse(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.taken()) {
		for _, use := range c.Uses(found.Function.Address) {
			if use.Kind == facts.UseSystem || !use.Live || c.handled(found, use) {
				continue
			}
			f := Finding{Severity: Stop, At: found.Controller.At,
				Summary:  shorten("the host uses " + found.Controller.Name + ": " + string(use.Kind) + " " + use.User),
				Detail:   "Lending it, or putting it aside, would take it away under this user; " + use.Loss() + ".",
				Causes:   []Cause{{use.Chain[0], use.Told()}},
				Remedies: c.freeing(found, use),
			}
			if c.stays(found) && c.Facts.LastOf(use) == nil {
				f.Severity = Caution
				f.Detail += " In shift " + c.Shift.Name + " it stays with the host. A shift that lends it is refused until this use ends, and so is the start of a guest with it."
			}
			list = append(list, f)
		}
	}
	return list
}

// stays tells whether an order to the shift that is aimed at leaves a controller alone,
// which it lends in another: it is with the host, no guest of the shift has it, and
// nothing is written to its drive.
func (c *Case) stays(found Found) bool {
	name := found.Controller.Name
	return c.Shift != nil && c.isBorrowed(name) && found.Where == facts.Home && c.Borrower(name) == nil && !c.Filling(name).Does()
}

// handled tells whether the layout or another check takes care of a use.
func (c *Case) handled(found Found, use facts.Use) bool {
	if use.Mount != nil && c.intrudes(use.Mount) {
		return true // stray-mount says so
	}
	if use.Kind == facts.UseGuest && c.Stated(use.User) != nil && c.KeptAside(found) == "" {
		return true // whether it runs while the controller is lent is contention's matter
	}
	if use.Mount == nil || !c.declaredMount(found, use.Mount) {
		return false
	}
	// Guests on a declared mount are contention's matter, not the host's use.
	return use.Kind == facts.UseMount || use.Kind == facts.UseGuest
}

// declaredMount tells whether a mount is the one that the controller's return
// rule makes: that place, that partition.
func (c *Case) declaredMount(found Found, m *facts.Mount) bool {
	return slices.ContainsFunc(found.Controller.Return.Mounts, func(rule spec.Mount) bool {
		return m.Of(c.Facts.PartitionNamed(found.Function.Address, rule.Partition), rule.Path)
	})
}

func (c *Case) freeing(found Found, use facts.Use) []string {
	name := found.Controller.Name
	switch use.Kind {
	case facts.UseMount:
		list := []string{"unmount " + use.User}
		if c.ofPartition(found, use.Mount) {
			list = append(list, "let the layout do it: return { mount ... at = \""+use.User+"\" } in controller "+name)
		}
		return list
	case facts.UseSwap:
		return []string{"swapoff " + plain.Quoted(use.User) + ", and take it out of /etc/fstab"}
	case facts.UseGuest:
		return []string{"shut down guest " + use.User, "move its disk to another drive"}
	case facts.UseProcess:
		return []string{"find out what " + use.User + " is for, and end it"}
	case facts.UsePool:
		return []string{"stop the storage pool " + use.User}
	case facts.UseNetwork:
		return freeingCard(use)
	case facts.UseSession:
		return []string{"give the order at the host's own console, or over another card"}
	case facts.UseConsole:
		return []string{"let the host have its console elsewhere: another graphics card, or console=ttyS0 on the kernel's command line",
			"take it off: echo 0 into bind below each /sys/class/vtconsole whose name says frame buffer device or VGA, end the display server; from then on only ssh or a serial console reach the host",
			"lend another controller"}
	case facts.UseRemote:
		return []string{"unmount what is on it, then disconnect it: nvme disconnect, or iscsiadm --mode node --logout", "reach it over another card"}
	case facts.UseDevice:
		if strings.HasPrefix(use.User, facts.TargetPort) {
			return []string{"end what other machines reach over it: take its port below /sys/kernel/config/nvmet/ports or /sys/kernel/config/target away, once they let go", "serve them over another card"}
		}
		return []string{"plug it in elsewhere", "take it from its driver: its name into /sys/bus/BUS/drivers/DRIVER/unbind, interfaces of USB one by one", "lend another controller"}
	case facts.UseHolder:
		return []string{c.takingApart(use)}
	default:
		return []string{"find out what uses it, and end that use", "lend another controller"}
	}
}

// ofPartition tells whether a return rule of the controller could make a mount: it is
// of a partition on a drive of that function itself, and the layout can name both.
func (c *Case) ofPartition(found Found, m *facts.Mount) bool {
	if found.Controller.Virtual != nil || found.Controller.PCI != nil && len(found.Controller.PCI.Functions) > 0 {
		return false
	}
	return slices.ContainsFunc(c.Facts.Drives(found.Function.Address), func(drive *facts.Block) bool {
		return slices.ContainsFunc(c.Facts.Partitions(drive.Name), func(part *facts.Block) bool {
			return part.Devno == m.Devno && part.Partition != nil && part.Partition.Name != "" && c.Facts.PartitionNamed(found.Function.Address, part.Partition.Name) == part
		})
	})
}

// takingApart says how what is built of a drive ends.
func (c *Case) takingApart(use facts.Use) string {
	if b := c.Facts.Made(use); b != nil && b.Ended() != "" {
		return "take " + use.User + " apart once nothing uses it: " + b.Ended()
	}
	return "deactivate " + use.User + ", by the tool that made it"
}

// freeingCard says how the host lets a network interface go.
func freeingCard(use facts.Use) []string {
	switch {
	case len(use.Chain) > 1:
		return []string{"take " + use.Chain[len(use.Chain)-1] + " out of " + use.User + ": ip link set " + plain.Quoted(use.Chain[len(use.Chain)-1]) + " nomaster, or delete what is built on it", "give " + use.User + " another card in the host's network configuration"}
	case strings.Contains(use.User, " "): // no name that an interface can have
		return []string{"look for its interface in the other network namespaces: lsns -t net", "set it down there, and bring it back"}
	}
	return []string{"set the interface " + use.User + " down and take it out of the host's network configuration"}
}

// shorten keeps a summary within the 60 characters that a finding has.
func shorten(text string) string {
	runes := []rune(text)
	if len(runes) <= 60 {
		return text
	}
	return string(runes[:57]) + "..."
}
