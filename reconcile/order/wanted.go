package order

import (
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// known gives every controller of the layout that was found, as it is now.
func (p *planner) known() []facts.Record {
	var list []facts.Record
	for i := range p.c.Layout.Controllers {
		if found := p.c.Found(p.c.Layout.Controllers[i].Name); found.Function != nil {
			list = append(list, found.Record())
		}
	}
	return list
}

// wanted resolves what the layout states of a guest to this host.
func (p *planner) wanted(g *spec.Guest, known []facts.Record) definition.Wanted {
	w := definition.Wanted{
		Name: g.Name, Type: p.c.Facts.Survey.Libvirt.GuestType, Emulator: p.c.Facts.Survey.Libvirt.Emulator,
		Firmware: g.Firmware, Known: known,
	}
	for _, ref := range g.Borrows {
		w.Borrows = append(w.Borrows, definition.Borrowed{
			Record: p.c.Found(ref.Name).Record(),
			Boots:  g.Boots != nil && g.Boots.Name == ref.Name,
		})
	}
	if g.CPU != nil {
		w.CPUs = g.CPU.Count
		w.CPUSet = p.near(g.CPU.Near)
	}
	if g.Memory != nil {
		w.MemoryBytes = g.Memory.SizeBytes
		w.HugePages = &g.Memory.HugePages
	}
	for _, d := range g.Disks {
		w.Disks = append(w.Disks, p.disk(d))
	}
	for _, n := range g.Networks {
		w.Networks = append(w.Networks, definition.Network{Name: n.Name, Bridge: n.Bridge, Network: n.Network, Model: n.Model, MAC: n.MAC})
	}
	return w
}

// near gives the processors of a controller's NUMA node. A host with one node
// says -1, and then every processor is near.
func (p *planner) near(ref *spec.Ref) string {
	if ref == nil {
		return ""
	}
	f := p.c.Found(ref.Name).Function
	if f == nil || f.NUMANode < 0 {
		return ""
	}
	return f.LocalCPUs
}

// disk gives a partition by the one link that names it for good, and an image
// with the format that its header says.
func (p *planner) disk(d spec.Disk) definition.Disk {
	if d.PartitionID != "" {
		return definition.Disk{Name: d.Name, Source: "/dev/disk/by-partuuid/" + d.PartitionID, Kind: "block", Format: "raw", Bus: d.Bus}
	}
	format := "qcow2"
	if seen := p.c.Facts.Path(d.Image); seen != nil && seen.Format != "" {
		format = seen.Format
	}
	return definition.Disk{Name: d.Name, Source: d.Image, Kind: "file", Format: format, Bus: d.Bus}
}
