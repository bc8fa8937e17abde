package twin

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// mostGuestBytes bounds a guest's memory: a stand-in for its system needs no more,
// and several run at a time.
const mostGuestBytes = 256 << 20

// mostImageBytes bounds an image that is laid out like the host's: what filesystems
// write into it takes room on the machine's own drive.
const mostImageBytes = 1 << 40

// guests copies the guests' definitions, changed where the machine cannot start them
// as they are. The functions that they borrow have their places by now.
func (c *copying) guests() {
	to := definition.Elsewhere{At: c.m.Place, Device: c.devicePath}
	to.CPUs, to.MemoryBytes = c.m.MostOfGuest()
	for i := range c.survey.Libvirt.Guests {
		g := &c.survey.Libvirt.Guests[i]
		if g.Kept == nil {
			c.unlike.add("guest", g.Name, "nothing: it is gone once it is off", "what it holds, uses and does")
			continue
		}
		copied := Guest{Name: g.Name, Running: g.Running, Autostart: g.Autostart}
		var err error
		if copied.XML, copied.Changes, err = definition.Transplant(g.Kept.XML, to); err == nil {
			err = c.images(&copied)
		}
		if err != nil {
			c.unlike.add("guest", g.Name, "nothing: its definition cannot be read", "what it holds, uses and does")
			continue
		}
		c.m.Guests = append(c.m.Guests, copied)
	}
}

// images lists the files that a guest's disks are on.
func (c *copying) images(g *Guest) error {
	d, err := definition.Read(g.XML)
	if err != nil {
		return err
	}
	for _, disk := range d.Disks {
		switch {
		case disk.Kind != "file" || disk.Source == "":
		case !isPlace(disk.Source) || !slices.Contains([]string{"raw", "qcow2", ""}, disk.Format):
			c.unlike.add("image", disk.Source, "nothing: it is where the machine's own files are, or of another format", "that "+g.Name+" starts at all")
		case !slices.ContainsFunc(g.Images, func(i Image) bool { return i.Path == disk.Source }):
			g.Images = append(g.Images, Image{Path: disk.Source, QCOW2: disk.Format == "qcow2", Disk: c.partitioned(disk.Source)})
		}
	}
	return nil
}

// partitioned gives the disk that an image is, where the survey has looked into it: its
// partitions, with those filesystems that the machine can make.
func (c *copying) partitioned(path string) *Disk {
	content := c.ix.Content(path)
	if content == nil || !content.Image || content.Table == nil || content.SectorBytes != 512 || content.SizeBytes > mostImageBytes {
		return nil
	}
	d := Disk{Of: path, SizeBytes: content.SizeBytes - content.SizeBytes%512, SectorBytes: 512}
	var parts []*facts.Block
	for _, e := range content.Table.Entries {
		if e.Last < e.First || e.Last > d.SizeBytes/512 {
			continue
		}
		part := facts.Block{Name: fmt.Sprint(path, " ", e.Number), SizeBytes: (e.Last - e.First + 1) * 512,
			Partition: &facts.Partition{Number: e.Number, StartBytes: e.First * 512, ID: e.ID, Type: e.Type, Name: e.Name}}
		if v := content.Volume(e.Number); v != nil && v.Signature != nil && forms[v.Signature.Kind].filesystem {
			part.Signature = v.Signature
		}
		parts = append(parts, &part)
	}
	if d.Table = c.tableOf(&d, content.Table.Kind, content.Table.ID, parts); d.Table == nil {
		return nil
	}
	return &d
}

// MostOfGuest gives how many processors and how much memory a guest has at most: no
// more processors than the smallest node.
func (m *Machine) MostOfGuest() (cpus int, memoryBytes uint64) {
	cpus = m.Processors
	for _, n := range m.Nodes {
		cpus = min(cpus, n.Processors)
	}
	return cpus, mostGuestBytes
}

// Image tells whether the machine has an image with a stand-in at a path.
func (m *Machine) Image(path string) bool {
	return slices.ContainsFunc(m.Guests, func(g Guest) bool {
		return slices.ContainsFunc(g.Images, func(i Image) bool { return i.Path == path })
	})
}

// StandIn tells whether a stand-in lies on a drive of a function of the survey.
func (m *Machine) StandIn(of facts.Address) (found bool) {
	m.Each(func(p *Part) {
		if p.Of == nil || *p.Of != of {
			return
		}
		found = slices.ContainsFunc(p.Disks, func(d Disk) bool {
			return d.Table != nil && slices.ContainsFunc(d.Table.Partitions, Partition.StandIn)
		})
	})
	return found
}

// Of tells which function of the survey one of the machine stands for; false: none.
func (m *Machine) Of(at facts.Address) (facts.Address, bool) {
	i := slices.IndexFunc(m.Places, func(p Place) bool { return p.To == at })
	if i < 0 {
		return facts.Address{}, false
	}
	return m.Places[i].From, true
}

// Place tells where a function of the survey is in the machine; false: nowhere.
func (m *Machine) Place(of facts.Address) (facts.Address, bool) {
	i, found := slices.BinarySearchFunc(m.Places, of, func(p Place, of facts.Address) int { return p.From.Compare(of) })
	if !found {
		return facts.Address{}, false
	}
	return m.Places[i].To, true
}

// devicePath gives a path by which a copied block device is found in the machine:
// one that does not rest on the sequence in which drives are found.
func (c *copying) devicePath(path string) (string, bool) {
	b := c.ix.Device(path)
	if b == nil || !c.names[b.Name] {
		return "", false
	}
	if b.Partition != nil && uuidShape.MatchString(b.Partition.ID) {
		return "/dev/disk/by-partuuid/" + b.Partition.ID, true
	}
	for _, v := range c.m.Volumes {
		switch {
		case v.Of != b.Name:
		case v.By == ByLVM:
			return "/dev/" + v.Group + "/" + v.Name, true
		case v.By == ByLUKS:
			return "/dev/mapper/" + v.Name, true
		default:
			return "/dev/" + v.Of, true
		}
	}
	return "", false
}
