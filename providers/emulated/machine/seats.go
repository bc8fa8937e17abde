package machine

import "fmt"

// seat plugs one seat's cards in, with the ports and bridges its way needs.
func (w *words) seat(s Seat) {
	w.root = roots[s.Node]
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
			w.card(card, bus, Set("addr", address(0, i)), several(i, s))
		}
	case Switched:
		w.slot++
		w.below(s)
	case Conventional:
		w.slot++
		bus := fmt.Sprintf("bridge%d", w.slot)
		w.device("pcie-pci-bridge", Set("id", bus), Set("bus", w.rootPort(w.slot, 0)))
		for i, card := range s.Cards {
			// Slot 0 of the bridge is taken by its hot-plug controller.
			w.card(card, bus, Set("addr", address(i+1, 0)))
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
	w.device("x3130-upstream", Set("id", up), Set("bus", w.rootPort(w.slot, 0)))
	for i, card := range s.Cards {
		w.chassis++
		bus := fmt.Sprintf("down%d", w.chassis)
		w.device("xio3130-downstream", Set("id", bus), Set("bus", up), Set("addr", address(i, 0)),
			Set("chassis", w.chassis), Set("slot", i))
		w.card(card, bus, "addr=0x0")
	}
}

// rootPort adds a PCI Express root port and gives the name of the bus below it.
func (w *words) rootPort(slot, function int, more ...string) string {
	w.chassis++
	bus := fmt.Sprintf("port%d", w.chassis)
	w.device("pcie-root-port", append([]string{Set("id", bus), Set("bus", w.root), Set("addr", address(slot, function)),
		Set("chassis", w.chassis), Set("slot", w.chassis)}, more...)...)
	return bus
}
