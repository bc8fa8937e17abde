package assess

import (
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
	return &PlannedROM{facts.ROMFor(c.Found(g.Boots.Name).Record(), donor.Driver), donor}
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
