package assess

import (
	"path"
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Change is what has to be done to a guest's definition.
type Change struct {
	Wanted  definition.Wanted
	Before  string           // XML as libvirt gave it; empty: the guest is new
	After   string           // XML to give to libvirt
	Changes []string         // for people; empty: nothing is to be done
	Err     error            // why it cannot be done
	ROM     *PlannedROM      // the option ROM by which the guest starts; nil: it needs none
	Shim    *PlannedShim     // the shim disk by which the guest starts; nil: it needs none
	Becomes facts.Definition // what is in After
}

// Change computes what has to be done to a guest's definition; once a guest.
// All controllers that the guest borrows must have been found.
func (c *Case) Change(g *spec.Guest) Change {
	if made, ok := c.changes[g.Name]; ok {
		return made
	}
	made := c.change(g)
	c.changes[g.Name] = made
	return made
}

func (c *Case) change(g *spec.Guest) Change {
	made := c.changeTo(g, c.wanted(g))
	rom, shim := c.plannedROM(g, made), c.plannedShim(g, made)
	if rom == nil && shim == nil {
		return made
	}
	for i := range made.Wanted.Borrows {
		switch b := &made.Wanted.Borrows[i]; {
		case !b.Boots:
		case rom != nil:
			b.ROM = rom.Path
		default:
			b.Shim = &definition.ShimDisk{Path: shim.Path, Bus: shim.Bus}
		}
	}
	made = c.changeTo(g, made.Wanted)
	made.ROM, made.Shim = rom, shim
	return made
}

func (c *Case) changeTo(g *spec.Guest, w definition.Wanted) Change {
	made := Change{Wanted: w}
	known := c.Facts.Guest(g.Name)
	switch {
	case known == nil:
		if made.After, made.Changes, made.Err = definition.Create(made.Wanted); made.Err == nil {
			made.Becomes, made.Err = definition.Read(made.After)
		}
	case known.Kept != nil:
		made.Before = known.Kept.XML
		made.Becomes, made.Changes, made.Err = definition.Become(made.Before, made.Wanted)
		made.After = made.Becomes.XML
	}
	return made
}

// known gives the controllers of the layout that a guest's definition has or
// shall have, as they are on this host now.
func (c *Case) known(g *spec.Guest) []facts.Identity {
	var list []facts.Identity
	add := func(controller string) {
		found := c.Found(controller)
		if found.Function != nil && !slices.ContainsFunc(list, func(r facts.Identity) bool { return r.Controller == controller }) {
			list = append(list, found.Identity())
		}
	}
	for _, ref := range g.Borrows {
		add(ref.Name)
	}
	if now := c.Facts.Guest(g.Name); now != nil && now.Kept != nil {
		for _, lent := range now.Kept.Hostdevs {
			if controller, meant := c.meant[lent.Address]; meant {
				add(controller)
			}
		}
		for _, r := range now.Kept.Identities {
			add(r.Controller)
		}
	}
	return list
}

// wanted resolves what the layout states of a guest to this host.
func (c *Case) wanted(g *spec.Guest) definition.Wanted {
	w := definition.Wanted{
		Name: g.Name, Type: c.Facts.Survey.Libvirt.GuestType, Emulator: c.Facts.Survey.Libvirt.Emulator,
		Firmware: g.Firmware, Known: c.known(g),
	}
	if c.Facts.Guest(g.Name) == nil { // a guest that is there keeps what it has
		w.System, w.Offers = g.System, c.Facts.Survey.Libvirt.Offers
	}
	for _, ref := range g.Borrows {
		w.Borrows = append(w.Borrows, definition.Borrowed{
			Identity: c.Found(ref.Name).Identity(),
			Boots:    g.Boots != nil && g.Boots.Name == ref.Name,
		})
	}
	if g.CPU != nil {
		w.CPUs = g.CPU.Count
		w.Near = c.Near(g).Map
	}
	if g.Memory != nil {
		w.MemoryBytes = g.Memory.SizeBytes
		w.HugePages, w.PageBytes = g.Memory.HugePages, g.Memory.PageBytes
	}
	for _, d := range g.Disks {
		w.Disks = append(w.Disks, c.disk(d))
	}
	if g.Boots != nil {
		if d := c.Layout.Controller(g.Boots.Name).Drive; d != nil && d.CopyOf != "" {
			w.Leaves = []definition.Disk{c.image("", d.CopyOf, d.CopyFormat, "")}
		}
	}
	for _, n := range g.Networks {
		w.Networks = append(w.Networks, definition.Network{Name: n.Name, Bridge: n.Bridge, Network: n.Network, Model: n.Model, MAC: n.MAC})
	}
	return w
}

// disk gives a partition by the one link that names it for good, and an image
// with the format that the layout or the definitions say.
func (c *Case) disk(d spec.Disk) definition.Disk {
	if d.PartitionID != "" {
		return definition.Disk{Name: d.Name, Source: "/dev/disk/by-partuuid/" + d.PartitionID, Kind: "block", Format: "raw", Bus: d.Bus}
	}
	return c.image(d.Name, d.Image, d.Format, d.Bus)
}

func (c *Case) image(name, source, format, bus string) definition.Disk {
	format, _ = c.Facts.FormatOf(source, format) // where it is needed and not known, the definition cannot be written
	disk := definition.Disk{Name: name, Source: source, Kind: "file", Format: format, Bus: bus}
	// A definition may name the same image as a volume of a pool.
	for _, pool := range c.Facts.Survey.Libvirt.Pools {
		if pool.Target != "" && pool.Target == path.Dir(source) {
			disk.Pool, disk.Volume = pool.Name, path.Base(source)
		}
	}
	return disk
}
