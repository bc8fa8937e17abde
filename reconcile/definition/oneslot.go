package definition

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// oneSlot has the guest see the functions of a whole slot as one: at their own
// numbers in one slot, the first of them marked as one of several (libvirt domain
// format, "multifunction"). It stays where the guest has the first.
func (e *edit) oneSlot(parts []*device, r facts.Identity) error {
	if !r.Whole() {
		return nil
	}
	seat, err := e.seatOf(parts)
	if err != nil {
		return fmt.Errorf("%s: %w", title(r), err)
	}
	moved := false
	for n, at := range r.Addresses() {
		seat.Function = at.Function
		moved = sit(parts[n].Element, seat, n == 0) || moved
	}
	if moved {
		e.say("%s in one slot of the guest, at %04x:%02x:%02x", title(r), seat.Segment, seat.Bus, seat.Slot)
	}
	return nil
}

// sit gives a device its place in the guest and tells whether that changed anything.
func sit(device *etree.Element, seat facts.Address, first bool) bool {
	el := child(device, "address")
	if el != nil && attr(el, "type") == "pci" {
		at, err := addressOf(el)
		if err == nil && at == seat && (!first || attr(el, "multifunction") == "on") {
			return false
		}
	}
	if el == nil {
		el = element("address")
		addEnd(device, el)
	}
	multifunction := attr(el, "multifunction")
	el.Attr = nil
	for pairs := append([]string{"type", "pci"}, addressAttrs(seat)...); len(pairs) > 0; pairs = pairs[2:] {
		el.CreateAttr(pairs[0], pairs[1])
	}
	if first {
		multifunction = "on"
	}
	if multifunction != "" {
		el.CreateAttr("multifunction", multifunction)
	}
	return true
}

// seatOf gives the slot of the guest that functions get: that of the first of them
// where it has one to which nothing else is in the way, else a free one.
func (e *edit) seatOf(parts []*device) (facts.Address, error) {
	taken := map[facts.Address]bool{}
	for _, d := range devicesOf(e.guest) {
		mine := slices.ContainsFunc(parts, func(p *device) bool { return p.Element == d })
		at, there, err := seatedAt(d)
		if err != nil {
			return at, err
		}
		if there && !mine {
			taken[at] = true
		}
	}
	first, there, err := seatedAt(parts[0].Element)
	if err != nil {
		return first, err
	}
	inTheWay := func(seat facts.Address) bool {
		return slices.ContainsFunc(parts, func(p *device) bool {
			seat.Function = p.address.Function
			return taken[seat]
		})
	}
	switch {
	case parts[0].address.Function != 0:
		return first, fmt.Errorf("its first function is at %s, and a slot without a function 0 is empty to a guest", parts[0].address)
	case there && first.Function == 0 && !inTheWay(first):
		return first, nil
	case e.express():
		return e.freePort(taken)
	case e.conventional():
		return freeSlot(taken)
	}
	return first, fmt.Errorf("whether the machine type %q has PCI Express is not known, so nobody can say which slot of the guest is free; give its functions one slot by hand: virsh edit", attr(at(e.guest, "os", "type"), "machine"))
}

// seatedAt gives where the guest sees a device on its PCI bus.
func seatedAt(d *etree.Element) (facts.Address, bool, error) {
	el := child(d, "address")
	if el == nil || attr(el, "type") != "pci" || attr(el, "bus") == "" {
		return facts.Address{}, false, nil // libvirt gives it a place
	}
	at, err := addressOf(el)
	return at, err == nil, err
}

// express tells whether the guest has PCI Express (libvirt 9.0
// src/qemu/qemu_domain.c, qemuDomainDefAddDefaultDevices: q35 and virt get
// pcie-root).
func (e *edit) express() bool {
	machine := attr(at(e.guest, "os", "type"), "machine")
	return e.hasBus("pcie-root") || strings.Contains(machine, "q35") || machine == "virt" || strings.HasPrefix(machine, "virt-")
}

// conventional tells whether it has PCI alone, as i440fx has.
func (e *edit) conventional() bool {
	machine := attr(at(e.guest, "os", "type"), "machine")
	return e.hasBus("pci-root") && (machine == "pc" || strings.HasPrefix(machine, "pc-i440fx"))
}

func (e *edit) hasBus(model string) bool {
	return slices.ContainsFunc(children(e.devices(), "controller"), func(c *etree.Element) bool {
		return attr(c, "type") == "pci" && attr(c, "model") == model
	})
}

// freePort gives the slot behind a root port of the guest that nothing sits behind;
// where it has none, one is added. libvirt fills in the rest of it.
func (e *edit) freePort(taken map[facts.Address]bool) (facts.Address, error) {
	busy := map[uint8]bool{}
	for at := range taken {
		busy[at.Bus] = true
	}
	last, free := uint64(0), -1
	for _, c := range children(e.devices(), "controller") {
		if attr(c, "type") != "pci" {
			continue
		}
		index, err := strconv.ParseUint(attr(c, "index"), 10, 8)
		if err != nil {
			return facts.Address{}, fmt.Errorf("a PCI controller of the guest has the index %q", attr(c, "index"))
		}
		if last = max(last, index); free < 0 && attr(c, "model") == "pcie-root-port" && !busy[uint8(index)] {
			free = int(index)
		}
	}
	if free >= 0 {
		return facts.Address{Bus: uint8(free)}, nil
	}
	for at := range taken { // of ports that libvirt adds by itself
		last = max(last, uint64(at.Bus))
	}
	if last++; last > 0xff {
		return facts.Address{}, fmt.Errorf("the guest has no room for another PCI port")
	}
	add(e.devices(), element("controller", "type", "pci", "index", strconv.FormatUint(last, 10), "model", "pcie-root-port"), deviceSequence)
	e.say("PCI port %d (pcie-root-port)", last)
	return facts.Address{Bus: uint8(last)}, nil
}

// freeSlot gives an empty slot of the guest's PCI bus, the last one: libvirt counts
// from the first.
func freeSlot(taken map[facts.Address]bool) (facts.Address, error) {
	used := map[uint8]bool{}
	for at := range taken {
		used[at.Slot] = used[at.Slot] || at.Bus == 0
	}
	for slot := uint8(31); slot > 2; slot-- { // the first ones are the machine's own
		if !used[slot] {
			return facts.Address{Slot: slot}, nil
		}
	}
	return facts.Address{}, fmt.Errorf("the guest's PCI bus has no empty slot")
}

// InOneSlot tells whether a definition has functions of the host in one slot of the
// guest already, as Edit gives them to it where they are one controller.
func InOneSlot(xml string, functions []facts.Address) bool {
	t, err := parse(xml)
	if err != nil {
		return false
	}
	var seat *facts.Address
	found := 0
	for _, d := range children(child(t.guest, "devices"), "hostdev") {
		if !holdsPCI(d) {
			continue
		}
		on, err := addressOf(at(d, "source", "address"))
		if err != nil || !slices.Contains(functions, on) {
			continue
		}
		sees, there, err := seatedAt(d)
		if err != nil || !there || sees.Function != on.Function || sees.Function == 0 && attr(child(d, "address"), "multifunction") != "on" {
			return false
		}
		if sees.Function = 0; seat == nil {
			seat = &sees
		}
		if sees != *seat {
			return false
		}
		found++
	}
	return found == len(functions)
}
