package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Way is how a guest's firmware gets to the system on the controller that the
// guest boots from.
type Way string

// The ways, best first. With Native the firmware reads the drive by itself;
// Unsure is the same where nobody knows whether it can. With None the guest
// does not start from the drive.
const (
	Native Way = "native"
	ByROM  Way = "rom"
	ByDisk Way = "disk"
	Unsure Way = "unsure"
	Legacy Way = "legacy" // BIOS, of which nothing more is known
	None   Way = "none"
)

// Start is the boot decision for one guest, and what it rests on.
type Start struct {
	Way   Way
	Boot  facts.Boot      // as its definition will be
	Image *facts.Firmware // nil: not known; Why says why
	Held  facts.Held      // whether the image holds the NVMe driver
	Why   string          // why that is unknown
}

// Start decides how a guest that boots from a controller gets to its system.
// ok is false where nothing can be decided, since another finding speaks first:
// a controller that is not there, a definition that cannot be written.
func (c *Case) Start(g *spec.Guest) (start Start, ok bool) {
	if g.Boots == nil {
		return Start{}, false
	}
	d := c.becomes(g)
	if d == nil {
		return Start{}, false
	}
	return c.startWith(g, d.Boot), true
}

func (c *Case) startWith(g *spec.Guest, boot facts.Boot) Start {
	s := Start{Boot: boot, Held: facts.Unknown}
	switch f := c.Found(g.Boots.Name).Function; {
	case boot.Firmware == "bios":
		s.Way = Legacy
		return s
	case f == nil || f.Class != facts.ClassNVMe:
		s.Way, s.Why = Unsure, "it is no NVMe controller, and lendkeep looks for the NVMe driver alone"
		return s
	}
	if s.Image, s.Why = c.Facts.FirmwareOf(boot); s.Image != nil {
		s.Held, s.Why = s.Image.NVMe, s.Image.Why
	}
	switch {
	case s.Held == facts.Present:
		s.Way = Native
	case g.Shim != nil && c.Layout.Shim(g.Shim.Name).As == "rom":
		s.Way = ByROM // harmless where the firmware has a driver after all
	case g.Shim != nil:
		s.Way = ByDisk
	case s.Held == facts.Absent:
		s.Way = None
	default:
		s.Way = Unsure
	}
	return s
}

// PlannedROM is the option ROM by which a guest starts, and what it is made of.
type PlannedROM struct {
	facts.ROM
	Donor *facts.Firmware
}

// plannedROM gives the option ROM for a guest whose definition will be as it is
// made without one; nil where it needs none, or where nobody knows what the
// donor holds.
func (c *Case) plannedROM(g *spec.Guest, made Change) *PlannedROM {
	if g.Boots == nil || g.Shim == nil || made.Err != nil {
		return nil
	}
	if c.startWith(g, made.Becomes.Boot).Way != ByROM {
		return nil
	}
	donor := c.Facts.Image(c.Layout.Shim(g.Shim.Name).Donor)
	if donor == nil || donor.NVMe != facts.Present || donor.Driver == "" || c.Facts.Survey.ROMGap != "" {
		return nil
	}
	return &PlannedROM{facts.ROMFor(c.Found(g.Boots.Name).Identity(), donor.Driver), donor}
}

// PlannedShim is the shim disk by which a guest starts, and what it is made of.
type PlannedShim struct {
	facts.Shim
	Bus   string
	Donor *facts.Firmware // nil: the disk that the guest has stays, as nothing better is known
}

// plannedShim gives the shim disk for a guest whose definition will be as it is
// made without one; nil where it needs none. Where nobody knows what the donor
// holds, the guest keeps the one that it has.
func (c *Case) plannedShim(g *spec.Guest, made Change) *PlannedShim {
	if g.Boots == nil || g.Shim == nil || made.Err != nil {
		return nil
	}
	start := c.startWith(g, made.Becomes.Boot)
	if start.Way != ByDisk {
		return nil
	}
	// QEMU has read-only hard disks on virtio and none on SATA, which all
	// firmware reads (measured with QEMU 7.2 and Debian's OVMF).
	planned := &PlannedShim{Bus: "sata"}
	if start.Image != nil && start.Image.Virtio == facts.Present {
		planned.Bus = "virtio"
	}
	has := c.placedShim(g)
	planned.Donor = c.Facts.Image(c.Layout.Shim(g.Shim.Name).Donor)
	if d := planned.Donor; d == nil || d.NVMe != facts.Present || d.Driver == "" || d.ShellSum == "" || c.shimPlace() != "" {
		if planned.Donor = nil; has == nil {
			return nil
		}
		planned.Shim = has.Shim
		return planned
	}
	planned.Shim = c.shimOf(g, planned.Donor, has)
	return planned
}

// shimOf says what a guest's shim disk starts. While nobody sees the drive's
// partitions, as long as it is away, that is what was seen when the guest got the
// disk that it has.
func (c *Case) shimOf(g *spec.Guest, donor *facts.Firmware, has *facts.PlacedShim) facts.Shim {
	found := c.Found(g.Boots.Name)
	shim := facts.Shim{Driver: donor.Driver, Shell: donor.ShellSum}
	if g.Entry != nil {
		shim.Loader = g.Entry.Path
	}
	shim.From = c.bootPartition(found, shim.Loader, c.lastFrom(g, found, has))
	return facts.ShimFor(g.Boots.Name, shim)
}

// bootPartition gives the one EFI system partition that a shim disk can mean on
// a controller's drives: the only one, or the only one with a loader. Where that is
// not known it is the last that was, unless it is seen not to be there.
func (c *Case) bootPartition(found Found, loader string, last facts.SystemPartition) facts.SystemPartition {
	list, _, why := c.systems(found)
	var parts []facts.SystemPartition
	switch {
	case why == "":
		several := len(list) > 1
		for _, s := range list {
			if !several || startable(s.Volume, loader) {
				parts = append(parts, s.SystemPartition)
			}
		}
	case c.Filling(found.Controller.Name).Copy == nil: // the kernel may show where partitions are
		var all bool
		if parts, all = c.Facts.SystemPartitions(found.Function.Address); len(parts) != 1 && (!all || slices.Contains(parts, last)) {
			return last
		}
	}
	if len(parts) != 1 || parts[0].ID == "" {
		return facts.SystemPartition{}
	}
	return parts[0]
}

// lastFrom gives what the shim disk that a guest has starts from, if that is of the
// controller by which it boots: the name of the disk tells which one it was made
// for, the guest's record what that was.
func (c *Case) lastFrom(g *spec.Guest, found Found, has *facts.PlacedShim) facts.SystemPartition {
	if has == nil {
		return facts.SystemPartition{}
	}
	is := found.Identity()
	for _, r := range c.Facts.Guest(g.Name).Kept.Identities {
		same := r.Serial == is.Serial && r.Vendor == is.Vendor && r.Device == is.Device && r.Virtual.Serial == is.Virtual.Serial && r.Virtual.Number == is.Virtual.Number
		if same && facts.ShimFor(r.Controller, has.Shim) == has.Shim {
			return has.From
		}
	}
	return facts.SystemPartition{}
}

// placedShim gives the shim disk that a guest's definition has, as far as it is
// there and lendkeep's.
func (c *Case) placedShim(g *spec.Guest) *facts.PlacedShim {
	known := c.Facts.Guest(g.Name)
	if known == nil || known.Kept == nil {
		return nil
	}
	placed := c.Facts.Shim(known.Kept.Shim())
	if placed == nil || placed.Why != "" {
		return nil
	}
	return placed
}

// shimPlace says why shim disks have no place on this host; empty when they
// have one.
func (c *Case) shimPlace() string {
	if on, ok := c.returnMount(facts.ShimFolder); ok {
		return "it lies on " + on.Path + ", a drive that is lent"
	}
	return c.Facts.Survey.ShimGap
}

// becomes gives a guest's kept definition as it will be once an order has set
// it; nil where that is not to be had.
func (c *Case) becomes(g *spec.Guest) *facts.Definition {
	if g.Retired {
		return nil
	}
	for _, ref := range g.Borrows {
		if c.Found(ref.Name).Function == nil {
			return nil // controller-identity says so
		}
	}
	change := c.Change(g)
	if known := c.Facts.Guest(g.Name); change.Err != nil || known != nil && known.Kept == nil {
		return nil // guest-definition says so
	}
	return &change.Becomes
}
