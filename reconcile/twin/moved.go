package twin

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// newBytes is the size of the drive on a card that is added.
const newBytes = 64 << 20

// InFront gives the machine with one more NVMe card before all others, which moves the
// buses behind it, and the serial of its drive; false: there is no room for it. What
// slots, cards and drives say of themselves stays.
func (m Machine) InFront() (crowded Machine, serial string, room bool) {
	m = m.copied()
	var parts []*Part // of the own root, and which slots they take
	taken := map[uint8]bool{}
	first := uint8(chipsetSlot)
	for i := range m.Roots[0].Parts {
		p := &m.Roots[0].Parts[i]
		parts, taken[p.Slot] = append(parts, p), true
		if p.Slot > hostBridge.Slot {
			first = min(first, p.Slot)
		}
	}
	free := first
	for taken[free] {
		free++
	}
	if free >= chipsetSlot || m.buses() == mostBuses {
		return m, "", false
	}
	for _, p := range parts {
		if p.Slot >= first && p.Slot < free {
			p.Slot++
		}
	}
	serial = m.freeSerial()
	card := Part{Kind: NVMe, Late: true, Serial: serial, Disks: []Disk{{File: "in-front.img", Namespace: 1, SizeBytes: newBytes, SectorBytes: 512}}}
	m.Roots[0].Parts = append(m.Roots[0].Parts, Part{Kind: RootPort, Slot: first, Late: true, Below: []Part{card}})
	sort(m.Roots[0].Parts)
	m.Places = nil
	m.places()
	return m, serial, true
}

// freeSerial gives one that no drive of the machine has.
func (m *Machine) freeSerial() string {
	taken := map[string]bool{}
	m.Each(func(p *Part) { taken[p.Serial] = true })
	for n := 1; ; n++ {
		if serial := fmt.Sprint("IN-FRONT-", n); !taken[serial] {
			return serial
		}
	}
}

// Without gives the machine without the card that a function of the survey is on. Its
// place stays empty, so that all else stays where it is.
func (m Machine) Without(of facts.Address) Machine {
	m = m.copied()
	gone, _ := m.Place(of)
	for p, at := range m.addresses() {
		if at.Bus == gone.Bus && at.Slot == gone.Slot && !p.Kind.Port() {
			p.Absent = true
		}
	}
	return m
}

// copied gives a machine whose parts can be changed.
func (m Machine) copied() Machine {
	m.Roots = slices.Clone(m.Roots)
	for i := range m.Roots {
		m.Roots[i].Parts = copiedParts(m.Roots[i].Parts)
	}
	return m
}

func copiedParts(parts []Part) []Part {
	parts = slices.Clone(parts)
	for i := range parts {
		parts[i].Below = copiedParts(parts[i].Below)
	}
	return parts
}
