package machine

import "fmt"

// card adds one card on a bus; place holds its address there.
func (w *words) card(c Card, bus string, place ...string) {
	w.cards++
	id := fmt.Sprintf("card%d", w.cards)
	for i, drive := range c.Drives() {
		w.drive(id+numbered(i), "raw", w.folder+"/"+drive.DiskName()+".img")
	}
	on := []string{set("id", id), set("bus", bus)}
	switch c.Kind {
	case NVMe:
		w.nvme(c, id, bus, place...)
	case SATA:
		w.device("ich9-ahci", append(on, place...)...)
		for i, drive := range c.Drives() {
			w.device("ide-hd", set("bus", fmt.Sprintf("%s.%d", id, i)), set("drive", id+numbered(i)+"disk"), set("serial", drive.Serial), blocks(c))
		}
	case Network:
		// Locally administered addresses, so that no real maker's is used.
		on = append(on, set("mac", fmt.Sprintf("52:54:00:00:00:%02x", w.cards)))
		w.device("e1000e", append(on, place...)...)
	case Graphics:
		w.device("bochs-display", append(on, place...)...)
	case Sound:
		w.add("-audiodev", "none,"+set("id", id+"quiet"))
		w.device("ich9-intel-hda", append(on, place...)...)
		w.device("hda-output", set("bus", id+".0"), set("audiodev", id+"quiet"))
	case USB:
		w.device("qemu-xhci", append(on, place...)...)
		w.device("usb-storage", set("bus", id+".0"), "port=1", set("drive", id+"disk"), set("serial", c.Serial), blocks(c))
		w.device("usb-kbd", set("bus", id+".0"), "port=2")
		w.device("usb-tablet", set("bus", id+".0"), "port=3")
	}
}

// numbered tells a card's drives after the first apart.
func numbered(drive int) string {
	if drive == 0 {
		return ""
	}
	return fmt.Sprint("-", drive+1)
}

// nvme adds a controller; its drive is declared as the id with "disk" after it. One
// that makes virtual functions wants a subsystem, to which they belong as well, and
// its namespace as a device of its own; each of them gets two queues, for commands
// and for their administration, and an interrupt (QEMU docs/system/devices/nvme.rst,
// "SR-IOV and Virtualization Enhancements").
func (w *words) nvme(c Card, id, bus string, place ...string) {
	on := []string{set("id", id), set("bus", bus)}
	if c.Virtual == 0 {
		w.device("nvme", append(append(on, set("drive", id+"disk"), set("serial", c.Serial), blocks(c)), place...)...)
		return
	}
	w.device("nvme-subsys", set("id", id+"subsystem"), set("nqn", c.Serial))
	w.device("nvme", append(append(on, set("serial", c.Serial), set("subsys", id+"subsystem"), set("sriov_max_vfs", c.Virtual),
		set("sriov_vq_flexible", 2*c.Virtual), set("sriov_vi_flexible", c.Virtual)), place...)...)
	w.device("nvme-ns", set("bus", id), set("drive", id+"disk"), "nsid=1", blocks(c))
}

func blocks(c Card) string {
	return set("logical_block_size", c.Sector()) + "," + set("physical_block_size", c.Sector())
}
