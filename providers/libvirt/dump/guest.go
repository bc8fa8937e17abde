package dump

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// Answers is what libvirt said of one guest.
type Answers struct {
	Name      string
	UUID      string
	Running   bool
	Condition string // libvirt's word, "running"
	Autostart bool
	Kept      string // XML that the next start uses; empty for a transient guest
	Live      string // XML in force; empty when the guest is off
	At        string // where the answers come from, for gaps
}

// Seen gathers what libvirt says of a host.
type Seen struct {
	facts.Virtualization
	kept map[answer]string // what it said, for Files
}

// Miss notes that something could not be read.
func (s *Seen) Miss(fact, path string, reason error) {
	s.Gaps = append(s.Gaps, facts.Gap{Fact: fact, Path: path, Reason: reason.Error()})
}

// Guest takes the answers on one guest in. A definition that cannot be read is
// a gap: the guest is listed without it.
func (s *Seen) Guest(a Answers) {
	s.keep("guests", a.Name, ".xml", a.Kept, a.Kept != "")
	s.keep("guests", a.Name, ".live.xml", a.Live, a.Live != "")
	s.keep("guests", a.Name, ".autostart", "", a.Autostart)
	guest := facts.Guest{Name: a.Name, UUID: a.UUID, Running: a.Running, Condition: a.Condition, Autostart: a.Autostart}
	read := func(xml, which string) *facts.Definition {
		if xml == "" {
			return nil
		}
		d, err := definition.Read(xml)
		if err != nil {
			s.Miss(which+" definition of guest "+a.Name, a.At, err)
			return nil
		}
		return &d
	}
	guest.Kept, guest.Live = read(a.Kept, "kept"), read(a.Live, "live")
	s.Guests = append(s.Guests, guest)
}

// Facts gives what was seen, in sequence, once everything is in. Disks that are
// named by pool and volume only get their paths here.
func (s *Seen) Facts() facts.Virtualization {
	slices.SortFunc(s.Guests, func(a, b facts.Guest) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(s.Networks, func(a, b facts.Network) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(s.Pools, func(a, b facts.Pool) int { return cmp.Compare(a.Name, b.Name) })
	pools := map[string]facts.Pool{}
	for _, p := range s.Pools {
		pools[p.Name] = p
	}
	for _, g := range s.Guests {
		for _, d := range g.Definitions() {
			for j := range d.Disks {
				if err := locate(&d.Disks[j], pools); err != nil {
					s.Miss(fmt.Sprintf("disk %s of guest %s", d.Disks[j].Target, g.Name), s.URI, err)
				}
			}
		}
	}
	return s.Virtualization
}

// locate finds the path of a volume. Volumes on other machines have none.
func locate(disk *facts.Disk, pools map[string]facts.Pool) error {
	if disk.Kind != "volume" || disk.Source != "" {
		return nil
	}
	pool, listed := pools[disk.Pool]
	if !listed {
		return fmt.Errorf("it is volume %s of pool %s, which libvirt does not list", disk.Volume, disk.Pool)
	}
	named, known := pool.PathOf(disk.Volume)
	if !known {
		return fmt.Errorf("a pool of kind %s does not tell where volume %s is", pool.Kind, disk.Volume)
	}
	disk.Source = named
	return nil
}
