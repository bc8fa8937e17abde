package twin

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// functions is how many functions a slot has, slots how many a bus.
const (
	functions = 8
	slots     = 32
)

// seats wires the endpoints that stand in no branch, group by group, on bus 0:
// groups keep their members, the ports above them are ours. What finds no room is
// left out.
func (c *copying) seats(in map[facts.Address]bool) {
	single := Part{Slot: slots} // the slot in which ports of single devices are collected, one a function
	for _, members := range c.seatless(in) {
		devices := byDevice(members)
		if len(devices) > 1 {
			if ports := c.shared(devices); ports != nil {
				c.seat(ports) // what finds no room is told in wired
			}
			continue
		}
		port := Part{Kind: RootPort, Below: c.device(devices[0], 0)}
		if single.Slot < slots && single.Function < functions && c.busesLeft(1) {
			port.Slot, port.Function = single.Slot, single.Function
			c.add(port)
			single.Function++
		} else if c.seat([]Part{port}) {
			single = Part{Slot: c.m.Roots[0].Parts[len(c.m.Roots[0].Parts)-1].Slot, Function: 1}
		}
	}
}

// seatless gives the endpoints that are not in the machine, by group, each without
// one by itself, in the sequence of their first addresses.
func (c *copying) seatless(in map[facts.Address]bool) [][]*facts.Function {
	var list [][]*facts.Function
	at := map[int]int{}
	for i := range c.survey.Functions {
		f := &c.survey.Functions[i]
		if in[f.Address] || f.HeaderType != 0 || f.Parent != nil {
			continue
		}
		if f.Group == nil || !c.m.IOMMU {
			list = append(list, []*facts.Function{f})
			continue
		}
		k, known := at[*f.Group]
		if !known {
			k = len(list)
			at[*f.Group] = k
			list = append(list, nil)
		}
		list[k] = append(list[k], f)
	}
	return list
}

// byDevice puts the functions of one slot together.
func byDevice(list []*facts.Function) [][]*facts.Function {
	var devices [][]*facts.Function
	for _, f := range list {
		i := slices.IndexFunc(devices, func(d []*facts.Function) bool {
			a, b := d[0].Address, f.Address
			return a.Segment == b.Segment && a.Bus == b.Bus && a.Slot == b.Slot
		})
		if i < 0 {
			devices = append(devices, []*facts.Function{f})
			continue
		}
		devices[i] = append(devices[i], f)
	}
	return devices
}

// device copies the functions of a slot to another one; they are numbered anew
// where the first is elsewhere.
func (c *copying) device(list []*facts.Function, slot uint8) []Part {
	var parts []Part
	for i, f := range list {
		p := c.card(f)
		p.Slot = slot
		if list[0].Address.Function != 0 {
			p.Function = uint8(i)
		}
		parts = append(parts, p)
	}
	return parts
}

// shared wires devices so that they make one group: behind ports of one slot
// without ACS, or where those are too few, on a conventional bridge, of which slot
// 0 is taken.
func (c *copying) shared(devices [][]*facts.Function) []Part {
	switch {
	case len(devices) <= functions:
		var ports []Part
		for i, d := range devices {
			ports = append(ports, Part{Kind: RootPort, Function: uint8(i), NoACS: true, Below: c.device(d, 0)})
		}
		return ports
	case len(devices) < slots:
		bridge := Part{Kind: Conventional}
		for i, d := range devices {
			bridge.Below = append(bridge.Below, c.device(d, uint8(i+1))...)
		}
		return []Part{{Kind: RootPort, Below: []Part{bridge}}}
	default:
		return nil
	}
}

// seat puts functions of one slot into the first one that is free on bus 0; false:
// there is none, or there are no numbers left for the buses.
func (c *copying) seat(parts []Part) bool {
	slot, free := c.freeSlot()
	if !free || !c.busesLeft(buses(parts)) {
		return false
	}
	for i := range parts {
		parts[i].Slot = slot
	}
	c.m.Roots[0].Parts = append(c.m.Roots[0].Parts, parts...)
	return true
}

// freeSlot gives the first slot of bus 0 on which nothing is.
func (c *copying) freeSlot() (uint8, bool) {
	for slot := uint8(1); slot < chipsetSlot; slot++ {
		if !c.taken(slot) {
			return slot, true
		}
	}
	return 0, false
}

// lastSlot gives the last one, for what is added: it stands behind all that moves
// addresses. There always is one, see reserved.
func (c *copying) lastSlot() uint8 {
	slot := uint8(chipsetSlot - 1)
	for c.taken(slot) {
		slot--
	}
	return slot
}

func (c *copying) taken(slot uint8) bool {
	return slices.ContainsFunc(c.m.Roots[0].Parts, func(p Part) bool { return p.Slot == slot })
}

// busesLeft tells whether there are numbers left for so many more buses.
func (c *copying) busesLeft(more int) bool { return c.m.buses()+more <= mostBuses }
