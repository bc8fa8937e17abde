package twin

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// deepest bounds how many buses lie above each other; no host has as many.
const deepest = 8

// branch is a slot of a root bus of the host with all that is below it.
type branch struct {
	root  facts.Address // function 0 of the slot
	parts []Part
	ends  []*facts.Function // the endpoints in it
}

// branches gives the branches that are built as they are, by address. What stands
// in none was surveyed without the ports above it, or is wired as QEMU cannot.
func (c *copying) branches() []*branch {
	slots := map[facts.Address][]*facts.Function{}
	roots := map[uint8]bool{0: true} // buses of segment 0 that are roots: a bridge sits on them, with nothing above
	for i := range c.survey.Functions {
		f := &c.survey.Functions[i]
		if f.Upstream != nil || f.Parent != nil || isHostBridge(f) {
			continue
		}
		at := facts.Address{Segment: f.Address.Segment, Bus: f.Address.Bus, Slot: f.Address.Slot}
		slots[at] = append(slots[at], f)
		if f.Bridge() && at.Segment == 0 {
			roots[at.Bus] = true
		}
	}
	var list []*branch
	for at, functions := range slots {
		if at.Segment != 0 || !roots[at.Bus] {
			continue
		}
		b := &branch{root: at}
		built := c.onRoot(at.Bus, functions, b)
		if built && found(b.parts) && c.kept(b) {
			list = append(list, b)
		}
	}
	slices.SortFunc(list, func(a, b *branch) int { return a.root.Compare(b.root) })
	return list
}

func (c *copying) onRoot(bus uint8, functions []*facts.Function, b *branch) bool {
	for _, f := range functions {
		p, good := c.part(f, "", 0, b)
		if bus == 0 {
			good = good && c.inChipset(f, &p)
		} else {
			good = good && c.onFurther(f, &p)
		}
		if !good {
			return false
		}
		b.parts = append(b.parts, p)
	}
	return true
}

// onFurther has nothing but ports on a root after the first, as QEMU wants it (hw/
// pci-bridge/pci_expander_bridge.c): an empty one stands for the host bridges there,
// so that those behind them in a slot are found.
func (c *copying) onFurther(f *facts.Function, p *Part) bool {
	if p.Kind.Port() {
		return true
	}
	alone := f.Group == nil || len(c.ix.Group(*f.Group)) == 1
	*p = Part{Kind: RootPort, Slot: p.Slot, Function: p.Function, Of: p.Of}
	return f.Class>>8 == 0x0600 && f.Driver == "" && f.Gap("driver") == nil && alone
}

// hostBridge is at the same place in every machine with PCI.
var hostBridge = facts.Address{}

// chipset is what QEMU's q35 has at the end of bus 0 (hw/isa/lpc_ich9.c,
// hw/ide/ich.c, hw/i2c/smbus_ich9.c), by function.
var chipset = map[uint8]Kind{0: ISABridge, 2: ChipsetSATA, 3: SMBus}

const chipsetSlot = 31

// inChipset makes a part that stands where the chipset has one into that; another
// kind cannot be there.
func (c *copying) inChipset(f *facts.Function, p *Part) bool {
	if f.Address.Slot == hostBridge.Slot {
		return false
	}
	kind, taken := chipset[f.Address.Function]
	if f.Address.Slot != chipsetSlot || !taken {
		return true
	}
	if models[kind].class>>8 != f.Class>>8 {
		return false
	}
	p.Kind = kind
	return true
}

// part copies a function with all below it; false: QEMU has nothing like it.
func (c *copying) part(f *facts.Function, above Kind, depth int, b *branch) (Part, bool) {
	at := f.Address
	below := slices.DeleteFunc(slices.Clone(c.ix.Below(at)), func(f *facts.Function) bool { return f.Parent != nil })
	if f.HeaderType == 0 {
		b.ends = append(b.ends, f)
		return c.card(f), len(below) == 0
	}
	p := Part{Kind: portKind(above, below), Slot: at.Slot, Function: at.Function, Of: &at}
	if p.Kind == "" || depth == deepest {
		return p, false
	}
	p.NoACS = p.Kind == RootPort && slices.ContainsFunc(below, func(child *facts.Function) bool { return sameGroup(f, child) })
	for _, child := range below {
		under, good := c.part(child, p.Kind, depth+1, b)
		if !good || !fits(p.Kind, under) {
			return p, false
		}
		p.Below = append(p.Below, under)
	}
	return p, found(p.Below)
}

// portKind tells ports apart by what is below them, since the survey does not say:
// an Express port has one slot below it, a switch only ports.
func portKind(above Kind, below []*facts.Function) Kind {
	bridges := !slices.ContainsFunc(below, func(f *facts.Function) bool { return f.HeaderType == 0 })
	slots := slices.ContainsFunc(below, func(f *facts.Function) bool { return f.Address.Slot != 0 })
	switch above {
	case "":
		if slots {
			return Conventional
		}
		return RootPort
	case RootPort, Downstream:
		if bridges {
			return Upstream
		}
		return Conventional
	case Upstream:
		return Downstream
	default:
		return ""
	}
}

// fits tells whether QEMU takes a part at its place below a port. Slot 0 of a
// conventional bridge is its hot-plug controller's.
func fits(port Kind, under Part) bool {
	switch port {
	case Upstream:
		return under.Kind == Downstream
	case Conventional:
		return !under.Kind.Port() && under.Slot > 0
	default:
		return under.Slot == 0
	}
}

// found tells whether every part on a bus is found by a system, each at a place of
// its own: it looks for the other functions of a slot only where there is one with
// number 0 (PCI Local Bus 3.0, 3.2.2.3.4).
func found(parts []Part) bool {
	taken := map[[2]uint8]bool{}
	for _, p := range parts {
		at := [2]uint8{p.Slot, p.Function}
		if taken[at] {
			return false
		}
		taken[at] = true
	}
	return !slices.ContainsFunc(parts, func(p Part) bool { return !taken[[2]uint8{p.Slot, 0}] })
}

func sameGroup(a, b *facts.Function) bool {
	return a.Group != nil && b.Group != nil && *a.Group == *b.Group
}

// kept tells whether the machine's groups have the same endpoints in a branch as
// the host's. One that reaches beyond its slot QEMU cannot have.
func (c *copying) kept(b *branch) bool {
	first := grouped(b.parts)
	groups, firsts := map[int]*Part{}, map[*Part]int{}
	good := true
	each(b.parts, func(p *Part) {
		if p.Of == nil || p.Kind.Port() {
			return
		}
		f := c.ix.Function(*p.Of)
		if f.Group == nil {
			return
		}
		was, seen := groups[*f.Group]
		number, other := firsts[first[p]]
		good = good && (!seen || was == first[p]) && (!other || number == *f.Group)
		groups[*f.Group], firsts[first[p]] = first[p], *f.Group
	})
	for number := range groups {
		for _, f := range c.ix.Group(number) {
			good = good && (f.HeaderType != 0 || f.Parent != nil || slices.Contains(b.ends, f))
		}
	}
	return good || !c.m.IOMMU
}
