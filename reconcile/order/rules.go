package order

import (
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/spec"
)

// ownLibvirt is libvirt's connection for the whole host.
const ownLibvirt = "qemu:///system"

// CompileRules makes the rules of a layout on a host. Every borrowed controller must
// have been found, but for virtual functions that are yet to be made: of those the
// rules that are installed are kept. What only a controller at home can tell is taken over from
// the rules that are installed, where it is not at home; so is what is not known yet of
// a drive that is.
func CompileRules(c *assess.Case) guard.Rules {
	uri := c.Layout.Host.Libvirt
	if uri == ownLibvirt {
		uri = ""
	}
	before, known := installedRules(c).ByName(), map[string]bool{}
	r := guard.Rules{Format: guard.Format, Libvirt: uri, NeverLend: append([]string{}, c.Layout.Host.NeverLend...), Alarm: c.Layout.Host.Alarm, Controllers: []guard.Controller{}, Guests: []guard.Guest{}}
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		name := found.Controller.Name
		switch was := before[name]; {
		case found.Function != nil:
			r.Controllers = append(r.Controllers, controllerOf(c, found, was))
		case found.Unmade && was != nil && was.Identity.IsVirtual():
			r.Controllers = append(r.Controllers, *was)
		default:
			continue
		}
		known[name] = true
	}
	for i := range c.Layout.Guests {
		if g := &c.Layout.Guests[i]; !g.Retired {
			addGuest(&r, c, g, known)
		}
	}
	for _, p := range c.Facts.Survey.Libvirt.Pools {
		if below, known := p.PathOf("."); known {
			r.Pools = append(r.Pools, guard.Pool{Name: p.Name, Target: below})
		}
	}
	return r
}

// installedRules gives those that are on the host; none where they cannot be read: they
// are replaced, whatever they say.
func installedRules(c *assess.Case) guard.Rules {
	rules, err := guard.Decode(c.Facts.Survey.Guard.Rules)
	if err != nil {
		return guard.Rules{}
	}
	return rules
}

func controllerOf(c *assess.Case, found assess.Found, before *guard.Controller) guard.Controller {
	stated := found.Controller
	made := guard.Controller{Identity: found.Identity(), Within: stated.Return.Within, OnFailure: stated.Return.OnFailure, Mounts: []guard.Mount{}}
	switch {
	case stated.NVMe != nil:
		made.Model = stated.NVMe.Model
	case stated.PCI != nil:
		made.Slot = stated.PCI.Slot
		recognise(&made, found.Function, before)
	}
	for _, m := range stated.Return.Mounts {
		made.Mounts = append(made.Mounts, guard.Mount{Partition: m.Partition, Path: m.Path, Options: append([]string{}, m.Options...)})
	}
	made.Keeps = keptOf(stated)
	if found.Where == facts.Home {
		made.Shown = guard.ShownBy(c.Facts, made.Identity)
		if before != nil {
			made.Recall(*before)
		}
		learn(&made, c.Facts, found.Function)
		if before != nil && made.Identity.Serial != "" && before.Identity.Serial == made.Identity.Serial {
			made.Fill(*before) // udev may not have looked at a drive that has just come back
		}
		expect(&made, c.Filling(stated.Name))
	} else if before != nil && before.Identity.Serial == made.Identity.Serial {
		made.Fill(*before)
	}
	for i := range made.Mounts {
		if m := &made.Mounts[i]; m.FSType == "" {
			m.FSType = stated.FormatOf(m.Partition)
		}
	}
	return made
}

// recognise notes what a card without a serial says of itself, wherever it is; what
// cannot be read now is as it was. The record has the subsystems of a whole slot.
func recognise(made *guard.Controller, f *facts.Function, before *guard.Controller) {
	made.Subsystem, made.DeviceSerial = f.Subsystem(), f.DeviceSerial
	if before != nil && before.Identity.Vendor == f.Vendor && before.Identity.Device == f.Device {
		if f.SubsystemGap() != nil {
			made.Subsystem = before.Subsystem
		}
		if f.Gap("device_serial") != nil {
			made.DeviceSerial = before.DeviceSerial
		}
	}
	if made.Identity.Whole() {
		made.Subsystem = ""
	}
}

// keptOf names the partitions that a layout gives to the host.
func keptOf(c *spec.Controller) []guard.Partition {
	names := []string{}
	if c.Drive != nil {
		for _, part := range c.Drive.Partitions {
			names = append(names, part.Name)
		}
	}
	for _, m := range c.Return.Mounts {
		names = append(names, m.Partition)
	}
	slices.Sort(names)
	list := []guard.Partition{}
	for _, name := range slices.Compact(names) {
		list = append(list, guard.Partition{Name: name})
	}
	return list
}

// learn notes what a controller at home shows.
func learn(c *guard.Controller, ix *facts.Index, f *facts.Function) {
	if f.NVMe == nil {
		return
	}
	c.Model, c.SizeBytes = f.NVMe.Model, f.NVMe.SizeBytes()
	for i := range c.Mounts {
		m := &c.Mounts[i]
		if part := ix.PartitionNamed(f.Address, m.Partition); part != nil && part.Signature != nil && part.Signature.Usage == "filesystem" {
			m.PartitionID, m.FSType = part.Partition.ID, part.Signature.Kind
		}
	}
	for i := range c.Keeps {
		if part := ix.PartitionNamed(f.Address, c.Keeps[i].Name); part != nil {
			c.Keeps[i].ID = part.Partition.ID
		}
	}
}

// expect notes what the drive will hold once the order has filled it, so that
// the rules are right from then on.
func expect(c *guard.Controller, f assess.Filling) {
	for i := range c.Mounts {
		m := &c.Mounts[i]
		if f.Clear || f.Copy != nil {
			m.PartitionID, m.FSType = "", ""
		}
		if made := f.Makes(m.Partition); made != nil {
			m.PartitionID, m.FSType = made.On.ID, made.Made.Kind
		}
	}
	for i := range c.Keeps {
		if f.After == nil {
			continue
		}
		c.Keeps[i].ID = ""
		if e := f.After.Entry(c.Keeps[i].Name); e != nil {
			c.Keeps[i].ID = e.ID
		}
	}
}

// addGuest notes a guest that borrows a controller or lives on one's mount.
func addGuest(r *guard.Rules, c *assess.Case, g *spec.Guest, known map[string]bool) {
	made := guard.Guest{Name: g.Name, Borrows: []string{}, LivesOn: []string{}}
	for _, ref := range g.Borrows {
		if known[ref.Name] {
			made.Borrows = append(made.Borrows, ref.Name)
		}
	}
	for _, on := range c.WillLiveOn(g) {
		if known[on.Controller.Name] {
			made.LivesOn = append(made.LivesOn, on.Path)
		}
	}
	slices.Sort(made.LivesOn)
	if len(made.Borrows)+len(made.LivesOn) > 0 {
		r.Guests = append(r.Guests, made)
	}
}
