package twin

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// Of gives the machine that is like a surveyed host, and what of the survey it
// does not have.
func Of(survey facts.Survey) Machine {
	c := &copying{survey: &survey, ix: facts.NewIndex(&survey), names: map[string]bool{}, made: map[string]string{},
		lower: map[string][]*facts.Block{}, byNumber: map[facts.Devno]*facts.Block{}}
	if rules, err := guard.Installed(survey.Guard); err == nil {
		c.rules = rules
	}
	c.look()
	c.size()
	c.own, c.channel = c.ownDrive(), c.likeChannel()
	c.wire()
	c.volumes()
	c.mounts()
	c.m.places()
	c.guests()
	c.tell()
	c.m.GuardUnread = !survey.Guard.Known()
	c.m.Unlike = c.unlike.sorted()
	return c.m
}

// copying is a machine in the making.
type copying struct {
	survey *facts.Survey
	ix     *facts.Index
	own    *facts.Function // the controller of the drive from which the host runs; nil: none that QEMU can start from
	rules  guard.Rules     // of the host's guard; none where nobody can read them
	m      Machine

	channel *facts.Function // what stands where the machine's own channel can; nil: nothing

	names  map[string]bool   // of the block devices that are copied
	made   map[string]string // what is made on them, by their names
	unlike unlikes

	lower    map[string][]*facts.Block // what a device is built on, by its name
	byNumber map[facts.Devno]*facts.Block
}

func (c *copying) look() {
	for i := range c.survey.Blocks {
		b := &c.survey.Blocks[i]
		if b.Devno.Known() {
			c.byNumber[b.Devno] = b
		}
		for _, name := range b.Holders {
			c.lower[name] = append(c.lower[name], b)
		}
	}
}

// wire puts every function in its place: what keeps its place first, then what is
// added, then the rest.
func (c *copying) wire() {
	c.m.Roots = []Root{{Node: -1, Parts: []Part{{Kind: HostBridge}}}}
	in := map[facts.Address]bool{}
	if f := c.ix.Function(hostBridge); f != nil && isHostBridge(f) {
		at := f.Address
		c.m.Roots[0].Parts[0].Of, in[at] = &at, true
	}
	for _, b := range c.branches() {
		if root := c.rootOf(b); root != nil {
			root.Parts = append(root.Parts, b.parts...)
			each(b.parts, func(p *Part) { in[*p.Of] = true })
		}
	}
	c.addChipset()
	for range c.m.Roots[1:] {
		c.add(Part{Kind: ExtraRoot, Slot: c.lastSlot()})
	}
	if c.channel == nil || !in[c.channel.Address] {
		c.channel = nil
		c.add(Part{Kind: Channel, Slot: c.lastSlot()})
	}
	if c.own == nil {
		c.add(Part{Kind: RootPort, Slot: c.lastSlot(), Below: []Part{{Kind: NVMe, Own: true, Serial: c.ownSerial()}}})
	}
	c.seats(in)
	for i := range c.m.Roots {
		sort(c.m.Roots[i].Parts)
	}
}

func (c *copying) add(p Part) { c.m.Roots[0].Parts = append(c.m.Roots[0].Parts, p) }

// isHostBridge tells the host bridge that every machine with PCI has at this place.
func isHostBridge(f *facts.Function) bool { return f.Address == hostBridge && f.Class>>8 == 0x0600 }

// likeChannel gives a function like the machine's own channel, on bus 0: a host that
// is itself emulated has one.
func (c *copying) likeChannel() *facts.Function {
	for i := range c.survey.Functions {
		f := &c.survey.Functions[i]
		at := f.Address
		if at.Segment == 0 && at.Bus == 0 && f.Upstream == nil && f.HeaderType == 0 && f.Class == models[Channel].class && f.Driver == models[Channel].driver {
			return f
		}
	}
	return nil
}

// addChipset adds what of the chipset stands for nothing.
func (c *copying) addChipset() {
	for _, function := range []uint8{0, 2, 3} {
		if !slices.ContainsFunc(c.m.Roots[0].Parts, func(p Part) bool { return p.Slot == chipsetSlot && p.Function == function }) {
			c.add(Part{Kind: chipset[function], Slot: chipsetSlot, Function: function})
		}
	}
}

// Room that is kept on bus 0 for what is added: the channel, the own drive, and
// one device for each further root.
const (
	mostRoots = 6
	reserved  = mostRoots + 2
)

// rootOf gives the root on which a branch is built, nil where there is no room.
func (c *copying) rootOf(b *branch) *Root {
	if !c.busesLeft(buses(b.parts)) {
		return nil
	}
	if b.root.Bus == 0 {
		used := map[uint8]bool{}
		for _, p := range c.m.Roots[0].Parts {
			used[p.Slot] = true
		}
		if len(used) >= slots-1-reserved && b.root.Slot != chipsetSlot {
			return nil
		}
		return &c.m.Roots[0]
	}
	for i := range c.m.Roots {
		if c.m.Roots[i].Bus == b.root.Bus {
			return &c.m.Roots[i]
		}
	}
	if len(c.m.Roots) > mostRoots {
		return nil
	}
	c.m.Roots = append(c.m.Roots, Root{Bus: b.root.Bus, Node: c.nodeOf(b)})
	return &c.m.Roots[len(c.m.Roots)-1]
}

// nodeOf gives the node of a root, which is that of what is below it.
func (c *copying) nodeOf(b *branch) int {
	node := c.ix.Function(*b.parts[0].Of).NUMANode
	if node >= len(c.m.Nodes) {
		return -1
	}
	return max(node, -1)
}
