package twin

import (
	"maps"
	"slices"
)

// groups gives each part of a machine with an IOMMU the first part of its group.
func (m *Machine) groups() map[*Part]*Part {
	all := map[*Part]*Part{}
	for i := range m.Roots {
		if m.IOMMU {
			maps.Copy(all, grouped(m.Roots[i].Parts))
		}
	}
	return all
}

// grouped gives each part of a root bus the first part of its IOMMU group, as the
// kernel groups them (Linux drivers/iommu/iommu.c, pci_device_group; drivers/pci/
// pci.c, pci_acs_enabled; each way measured with QEMU 7.2.22 and Linux 6.1).
func grouped(parts []Part) map[*Part]*Part {
	g := grouping{first: map[*Part]*Part{}}
	g.bus(parts, nil, true)
	return g.first
}

type grouping struct{ first map[*Part]*Part }

// bus goes through what is below a port; apart tells whether no device of that bus
// can reach another one unseen by the IOMMU.
func (g *grouping) bus(parts []Part, above *Part, apart bool) {
	for i := range parts {
		p := &parts[i]
		switch {
		case above != nil && !apart:
			g.first[p] = g.first[above]
		default:
			g.first[p] = sibling(parts, p)
		}
		g.bus(p.Below, p, apart && isolates(parts, p))
	}
}

// isolates tells whether a port keeps what is below it from its neighbours: QEMU's
// switch ports have no ACS, nor has a bridge to conventional PCI. The upper end of a
// switch needs none while it is the only function of its slot.
func isolates(parts []Part, p *Part) bool {
	switch p.Kind {
	case RootPort:
		return !p.NoACS
	case Upstream:
		return !slices.ContainsFunc(parts, func(q Part) bool { return q.Slot == p.Slot && q.Function != p.Function })
	default:
		return false
	}
}

// sibling gives the first function of a part's slot with which it shares a group:
// those without ACS do.
func sibling(parts []Part, p *Part) *Part {
	separate := func(p *Part) bool { return p.Kind == RootPort && !p.NoACS }
	if separate(p) {
		return p
	}
	for i := range parts {
		if q := &parts[i]; q.Slot == p.Slot && !separate(q) {
			return q
		}
	}
	return p
}
