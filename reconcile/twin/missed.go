package twin

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Missed holds a survey that was taken in the machine against the machine, and tells
// in words what is there otherwise than it was made: functions, who has them, their
// groups, drives and what is on them, mounts.
func (m *Machine) Missed(inside *facts.Index) []string {
	c := &comparing{inside: inside, at: m.addresses()}
	m.Each(c.part)
	c.groups(m)
	for _, mount := range m.Mounts {
		if inside.MountAt(mount.Path) == nil {
			c.say("nothing is mounted at %s", mount.Path)
		}
	}
	for _, g := range m.Guests {
		if is := inside.Guest(g.Name); is == nil || is.Running != g.Running {
			c.say("guest %s is not there, or does not run as it should", g.Name)
		}
	}
	slices.Sort(c.list)
	return c.list
}

type comparing struct {
	inside *facts.Index
	at     map[*Part]facts.Address
	list   []string
}

func (c *comparing) say(format string, values ...any) {
	c.list = append(c.list, fmt.Sprintf(format, values...))
}

func (c *comparing) part(p *Part) {
	f := c.inside.Function(c.at[p])
	switch {
	case p.Kind == ExtraRoot || p.Of == nil && p.Kind != Channel:
		return // ours, and where it is does not matter
	case f == nil:
		c.say("%s is not there: %s", c.at[p], p.Kind)
		return
	case f.HeaderType != 0:
		return
	}
	held := false
	switch p.Held {
	case ByDriver:
		held = models[p.Kind].driver == "" || f.Driver != "" && !f.OnVFIO()
	case ByNone:
		held = f.Driver == ""
	default:
		held = f.Driver == string(p.Held)
	}
	if !held {
		c.say("%s has driver %s, not %s", f.Address, cmp.Or(f.Driver, "none"), cmp.Or(string(p.Held), "one of the host's"))
	}
	if p.Kind == NVMe && p.Held == ByDriver && !p.Own {
		c.drives(p, f)
	}
}

// drives compares what hangs on a controller.
func (c *comparing) drives(p *Part, f *facts.Function) {
	if f.NVMe == nil || f.NVMe.Serial != p.Serial {
		c.say("%s is not the drive with serial %s", f.Address, p.Serial)
		return
	}
	for _, d := range p.Disks {
		i := slices.IndexFunc(f.NVMe.Namespaces, func(n facts.Namespace) bool { return n.ID == d.Namespace })
		if i < 0 {
			c.say("%s has no namespace %d", f.Address, d.Namespace)
			continue
		}
		b := c.inside.Block(f.NVMe.Namespaces[i].Block)
		if b == nil {
			c.say("namespace %d of %s has no block device", d.Namespace, f.Address)
			continue
		}
		if b.SizeBytes != d.SizeBytes || b.SectorBytes != d.SectorBytes {
			c.say("%s has %d bytes in sectors of %d, not %d in %d", b.Name, b.SizeBytes, b.SectorBytes, d.SizeBytes, d.SectorBytes)
		}
		c.holds(b, d.Holds)
		c.partitions(b, d)
	}
}

func (c *comparing) partitions(b *facts.Block, d Disk) {
	found := c.inside.Partitions(b.Name)
	if d.Table == nil {
		if len(found) > 0 {
			c.say("%s has partitions", b.Name)
		}
		return
	}
	for _, want := range d.Table.Partitions {
		i := slices.IndexFunc(found, func(b *facts.Block) bool { return numberOf(b) == want.Number })
		if i < 0 {
			c.say("%s has no partition %d", b.Name, want.Number)
			continue
		}
		is := *found[i].Partition
		if is.StartBytes != want.StartBytes || found[i].SizeBytes != want.SizeBytes || is.Name != want.Name || want.ID != "" && is.ID != want.ID {
			c.say("%s is not the partition that it should be", found[i].Name)
		}
		c.holds(found[i], want.Holds)
	}
}

// holds compares what is made on a device, as far as the machine says which.
func (c *comparing) holds(b *facts.Block, want *facts.Signature) {
	if want == nil {
		return
	}
	is := b.Signature
	if is == nil || is.Kind != want.Kind || want.Label != "" && is.Label != want.Label || want.UUID != "" && is.UUID != want.UUID {
		c.say("%s does not hold %s %s %s", b.Name, want.Kind, want.Label, want.UUID)
	}
}

// groups compares which endpoints share one.
func (c *comparing) groups(m *Machine) {
	first := m.groups()
	groups, firsts := map[int]*Part{}, map[*Part]int{}
	for i := range m.Roots {
		each(m.Roots[i].Parts, func(p *Part) {
			f := c.inside.Function(c.at[p])
			if p.Kind.Port() || p.Of == nil || f == nil || first[p] == nil {
				return
			}
			if f.Group == nil {
				c.say("%s is in no IOMMU group", f.Address)
				return
			}
			was, seen := groups[*f.Group]
			number, other := firsts[first[p]]
			if seen && was != first[p] || other && number != *f.Group {
				c.say("%s shares its IOMMU group with others than it should", f.Address)
			}
			groups[*f.Group], firsts[first[p]] = first[p], *f.Group
		})
	}
}
