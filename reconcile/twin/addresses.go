package twin

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// mostBuses is how many buses a segment has.
const mostBuses = 256

// settle gives the roots behind the first numbers that leave room for all that is
// below each: their own where that goes.
func (m *Machine) settle() {
	limit := mostBuses
	for i := len(m.Roots) - 1; i > 0; i-- {
		r := &m.Roots[i]
		limit = min(int(r.Bus), limit-buses(r.Parts))
		r.Bus = uint8(limit)
	}
	next := buses(m.Roots[0].Parts)
	for i := 1; i < len(m.Roots); i++ {
		r := &m.Roots[i]
		r.Bus = uint8(max(int(r.Bus), next))
		next = int(r.Bus) + buses(r.Parts)
	}
}

// buses counts the numbers of buses that the machine takes.
func (m *Machine) buses() int {
	sum := 0
	for _, r := range m.Roots {
		sum += buses(r.Parts)
	}
	return sum
}

// addresses gives every part its address: buses are counted depth first, in the
// sequence of slots (SeaBIOS src/fw/pciinit.c, pci_bios_init_bus_rec).
func (m *Machine) addresses() map[*Part]facts.Address {
	at := map[*Part]facts.Address{}
	for _, r := range m.Roots {
		number(r.Parts, int(r.Bus), int(r.Bus)+1, at)
	}
	return at
}

func number(parts []Part, bus, next int, at map[*Part]facts.Address) int {
	for i := range parts {
		p := &parts[i]
		at[p] = facts.Address{Bus: uint8(bus), Slot: p.Slot, Function: p.Function}
		if p.Kind.Port() {
			next = number(p.Below, next, next+1, at)
		}
	}
	return next
}

// buses counts the numbers that a bus and all below it take.
func buses(parts []Part) int { return number(parts, 0, 1, map[*Part]facts.Address{}) }

// sort puts parts in the sequence in which they are found.
func sort(parts []Part) {
	slices.SortFunc(parts, func(a, b Part) int {
		return facts.Address{Slot: a.Slot, Function: a.Function}.Compare(facts.Address{Slot: b.Slot, Function: b.Function})
	})
	for i := range parts {
		sort(parts[i].Below)
	}
}

// each calls a function for every part, those above before those below.
func each(parts []Part, do func(*Part)) {
	for i := range parts {
		do(&parts[i])
		each(parts[i].Below, do)
	}
}

// Each calls a function for every part of the machine.
func (m *Machine) Each(do func(*Part)) {
	for i := range m.Roots {
		each(m.Roots[i].Parts, do)
	}
}

// places notes where each function of the survey is, by its address there.
func (m *Machine) places() {
	m.settle()
	for p, at := range m.addresses() {
		if p.Of != nil {
			m.Places = append(m.Places, Place{From: *p.Of, To: at})
		}
	}
	slices.SortFunc(m.Places, func(a, b Place) int { return a.From.Compare(b.From) })
}
