package machine

import "fmt"

// seat plugs one seat's cards in, with the ports and bridges its way needs.
func (w *words) seat(s Seat) {
	switch s.Way {
	case Alone:
		for _, card := range s.Cards {
			w.slot++
			w.card(card, w.rootPort(w.slot, 0), "addr=0x0")
		}
	case SharedSlot:
		w.slot++
		for i, card := range s.Cards {
			w.card(card, w.rootPort(w.slot, i, several(i, s), "disable-acs=on"), "addr=0x0")
		}
	case MultiFunction:
		w.slot++
		bus := w.rootPort(w.slot, 0)
		for i, card := range s.Cards {
			w.card(card, bus, set("addr", address(0, i)), several(i, s))
		}
	case Switched:
		w.slot++
		w.below(s)
	case Conventional:
		w.slot++
		bus := fmt.Sprintf("bridge%d", w.slot)
		w.device("pcie-pci-bridge", set("id", bus), set("bus", w.rootPort(w.slot, 0)))
		for i, card := range s.Cards {
			// Slot 0 of the bridge is taken by its hot-plug controller.
			w.card(card, bus, set("addr", address(i+1, 0)))
		}
	}
}

// several marks the first of more functions, which tells the system to look
// for the others (PCI Local Bus 3.0, 6.2.1, header type bit 7).
func several(function int, s Seat) string {
	if function == 0 && len(s.Cards) > 1 {
		return "multifunction=on"
	}
	return "multifunction=off"
}

// below builds a switch: one upstream port, one downstream port a card.
func (w *words) below(s Seat) {
	up := fmt.Sprintf("up%d", w.slot)
	w.device("x3130-upstream", set("id", up), set("bus", w.rootPort(w.slot, 0)))
	for i, card := range s.Cards {
		w.chassis++
		bus := fmt.Sprintf("down%d", w.chassis)
		w.device("xio3130-downstream", set("id", bus), set("bus", up), set("addr", address(i, 0)),
			set("chassis", w.chassis), set("slot", i))
		w.card(card, bus, "addr=0x0")
	}
}

// rootPort adds a PCI Express root port and gives the name of the bus below it.
func (w *words) rootPort(slot, function int, more ...string) string {
	w.chassis++
	bus := fmt.Sprintf("port%d", w.chassis)
	w.device("pcie-root-port", append([]string{set("id", bus), "bus=pcie.0", set("addr", address(slot, function)),
		set("chassis", w.chassis), set("slot", w.chassis)}, more...)...)
	return bus
}

// card adds one card on a bus; place holds its address there.
func (w *words) card(c Card, bus string, place ...string) {
	w.cards++
	id := fmt.Sprintf("card%d", w.cards)
	if c.Kind == Network {
		// Locally administered addresses, so that no real maker's is used.
		mac := fmt.Sprintf("52:54:00:00:00:%02x", w.cards)
		w.device("e1000e", append([]string{set("id", id), set("bus", bus), set("mac", mac)}, place...)...)
		return
	}
	w.drive(id, "raw", w.folder+"/"+c.DiskName()+".img")
	if c.Kind == SATA {
		w.device("ich9-ahci", append([]string{set("id", id), set("bus", bus)}, place...)...)
		w.device("ide-hd", set("bus", id+".0"), set("drive", id+"disk"), set("serial", c.Serial), blocks(c))
		return
	}
	w.nvme(c, id, bus, place...)
}

// nvme adds a controller; its drive is declared as the id with "disk" after it.
func (w *words) nvme(c Card, id, bus string, place ...string) {
	w.device("nvme", append([]string{set("id", id), set("bus", bus), set("drive", id+"disk"), set("serial", c.Serial), blocks(c)}, place...)...)
}

func blocks(c Card) string {
	return set("logical_block_size", c.Sector()) + "," + set("physical_block_size", c.Sector())
}
