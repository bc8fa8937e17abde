package machine

import "fmt"

// card adds one card on a bus; place holds its address there.
func (w *words) card(c Card, bus string, place ...string) {
	w.cards++
	id := fmt.Sprintf("card%d", w.cards)
	for i, drive := range c.Drives() {
		w.drive(id+numbered(i), "raw", w.folder+"/"+drive.DiskName()+".img")
	}
	on := []string{Set("id", id), Set("bus", bus)}
	switch c.Kind {
	case NVMe:
		w.nvme(c, id, bus, place...)
	case SATA:
		w.device("ich9-ahci", append(on, place...)...)
		for i, drive := range c.Drives() {
			w.device("ide-hd", Set("bus", fmt.Sprintf("%s.%d", id, i)), Set("drive", id+numbered(i)+"disk"), Set("serial", drive.Serial), blocks(c))
		}
	case Network:
		// Locally administered addresses, so that no real maker's is used.
		on = append(on, Set("mac", fmt.Sprintf("52:54:00:00:00:%02x", w.cards)))
		w.device("e1000e", append(on, place...)...)
	case Graphics:
		w.device("bochs-display", append(on, place...)...)
	case Sound:
		w.add("-audiodev", "none,"+Set("id", id+"quiet"))
		w.device("ich9-intel-hda", append(on, place...)...)
		w.device("hda-output", Set("bus", id+".0"), Set("audiodev", id+"quiet"))
	case USB:
		w.device("qemu-xhci", append(on, place...)...)
		w.device("usb-storage", Set("bus", id+".0"), "port=1", Set("drive", id+"disk"), Set("serial", c.Serial), blocks(c))
		w.device("usb-kbd", Set("bus", id+".0"), "port=2")
		w.device("usb-tablet", Set("bus", id+".0"), "port=3")
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
	on := []string{Set("id", id), Set("bus", bus)}
	if c.Virtual == 0 {
		w.device("nvme", append(append(on, Set("drive", id+"disk"), Set("serial", c.Serial), blocks(c)), place...)...)
		return
	}
	w.device("nvme-subsys", Set("id", id+"subsystem"), Set("nqn", c.Serial))
	w.device("nvme", append(append(on, Set("serial", c.Serial), Set("subsys", id+"subsystem"), Set("sriov_max_vfs", c.Virtual),
		Set("sriov_vq_flexible", 2*c.Virtual), Set("sriov_vi_flexible", c.Virtual)), place...)...)
	w.device("nvme-ns", Set("bus", id), Set("drive", id+"disk"), "nsid=1", blocks(c))
}

func blocks(c Card) string {
	return Set("logical_block_size", c.Sector()) + "," + Set("physical_block_size", c.Sector())
}
