package guard

import (
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// ownLibvirt is libvirt's connection for the whole host.
const ownLibvirt = "qemu:///system"

// Compile makes the rules of a layout on a host. Every borrowed controller must
// have been found. What only a controller at home can tell is taken over from
// the rules that are installed, where it is not at home.
func Compile(c *assess.Case) Rules {
	installed, err := Decode(c.Facts.Survey.Guard.Rules)
	if err != nil {
		installed = Rules{} // they are replaced, whatever they say
	}
	uri := c.Layout.Host.Libvirt
	if uri == ownLibvirt {
		uri = ""
	}
	before, known := installed.byName(), map[string]bool{}
	r := Rules{Format: Format, Libvirt: uri, NeverLend: append([]string{}, c.Layout.Host.NeverLend...), Alarm: c.Layout.Host.Alarm, Controllers: []Controller{}, Guests: []Guest{}}
	for i := range c.Layout.Controllers {
		if found := c.Found(c.Layout.Controllers[i].Name); found.Function != nil {
			r.Controllers = append(r.Controllers, controllerOf(c, found, before[found.Controller.Name]))
			known[found.Controller.Name] = true
		}
	}
	for i := range c.Layout.Guests {
		if g := &c.Layout.Guests[i]; !g.Retired {
			r.addGuest(c, g, known)
		}
	}
	for _, p := range c.Facts.Survey.Libvirt.Pools {
		r.Pools = append(r.Pools, Pool{p.Name, p.Target})
	}
	return r
}

func controllerOf(c *assess.Case, found assess.Found, before *Controller) Controller {
	stated := found.Controller
	made := Controller{Record: found.Record(), Within: stated.Return.Within, OnFailure: stated.Return.OnFailure, Mounts: []Mount{}}
	if stated.NVMe != nil {
		made.Model = stated.NVMe.Model
	} else {
		made.Slot = stated.PCI.Slot
	}
	for _, m := range stated.Return.Mounts {
		made.Mounts = append(made.Mounts, Mount{Partition: m.Partition, Path: m.Path, Options: append([]string{}, m.Options...)})
	}
	made.Keeps = keptOf(stated)
	if found.Where == facts.Home {
		made.learn(c.Facts, found.Function)
		made.expect(c.Filling(stated.Name))
	} else if before != nil && before.Record.Serial == made.Record.Serial {
		made.fill(*before)
	}
	for i := range made.Mounts {
		if m := &made.Mounts[i]; m.FSType == "" {
			m.FSType = stated.FormatOf(m.Partition)
		}
	}
	return made
}

// keptOf names the partitions that a layout gives to the host.
func keptOf(c *spec.Controller) []Partition {
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
	list := []Partition{}
	for _, name := range slices.Compact(names) {
		list = append(list, Partition{Name: name})
	}
	return list
}

// learn notes what a controller at home shows.
func (c *Controller) learn(ix *facts.Index, f *facts.Function) {
	if f.NVMe == nil {
		return
	}
	c.Model, c.SizeBytes = f.NVMe.Model, sizeOf(f)
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
func (c *Controller) expect(f assess.Filling) {
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

// fill takes over what is not known from what was.
func (c *Controller) fill(before Controller) {
	if c.Model == "" {
		c.Model = before.Model
	}
	if c.SizeBytes == 0 {
		c.SizeBytes = before.SizeBytes
	}
	for i := range c.Mounts {
		m := &c.Mounts[i]
		n := slices.IndexFunc(before.Mounts, func(b Mount) bool { return b.Partition == m.Partition })
		if n < 0 {
			continue
		}
		if m.PartitionID == "" {
			m.PartitionID = before.Mounts[n].PartitionID
		}
		if m.FSType == "" {
			m.FSType = before.Mounts[n].FSType
		}
	}
	for i := range c.Keeps {
		p := &c.Keeps[i]
		n := slices.IndexFunc(before.Keeps, func(b Partition) bool { return b.Name == p.Name })
		if p.ID == "" && n >= 0 {
			p.ID = before.Keeps[n].ID
		}
	}
}

// sizeOf is 0 where a namespace's size is not known.
func sizeOf(f *facts.Function) uint64 {
	var sum uint64
	for _, n := range f.NVMe.Namespaces {
		if n.SizeBytes == 0 {
			return 0
		}
		sum += n.SizeBytes
	}
	return sum
}

func (r *Rules) addGuest(c *assess.Case, g *spec.Guest, known map[string]bool) {
	made := Guest{Name: g.Name, Borrows: []string{}, LivesOn: []string{}}
	for _, ref := range g.Borrows {
		made.Borrows = append(made.Borrows, ref.Name)
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

// Current gives the installed rules where they say what is wanted. Where they
// merely lack what was learnt since, they do: they check a little less, and
// nothing that they say is wrong.
func Current(installed string, wanted Rules) (Rules, bool) {
	now, err := Decode(installed)
	if err != nil {
		return Rules{}, false
	}
	filled, _ := Decode(installed) // a second copy
	controllers := wanted.byName()
	for i := range filled.Controllers {
		if c := controllers[filled.Controllers[i].Record.Controller]; c != nil {
			filled.Controllers[i].fill(*c)
		}
	}
	return now, filled.Encode() == wanted.Encode()
}
