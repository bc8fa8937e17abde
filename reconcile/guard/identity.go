package guard

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// identity tells whether what sits at an address is what is meant.
func (b *before) identity(meant Controller, at facts.Address) error {
	name := meant.Identity.Controller
	where, f, _ := b.ix.Where(meant.Identity)
	switch {
	case where == facts.Gone && meant.Identity.Whole():
		return fmt.Errorf("controller %s is not what it was: %s; correct the layout, or the card, and bring the rules up to date by an order", name, b.ix.Unlike(meant.Identity))
	case where == facts.Gone && meant.Identity.IsVirtual():
		return fmt.Errorf("controller %s, %s, is not to be found: %s; have it made by an order: lendkeep plan LAYOUT -o FILE, then lendkeep apply FILE", name, meant.Identity.Virtual, b.ix.NotVirtual(meant.Identity))
	case where == facts.Gone && f != nil && (f.NVMe == nil || f.NVMe.Serial == meant.Identity.Serial):
		return fmt.Errorf("controller %s at %s does not work, or cannot be asked for its serial", name, f.Address)
	case where == facts.Gone:
		there := "nothing"
		if now := b.ix.Function(at); now != nil {
			there = now.Title()
		}
		return fmt.Errorf("controller %s %s is not to be found; at %s, which its definition names, is %s", name, meant.Identity.Serial, at, there)
	case f.Address != at && !(meant.Identity.Whole() && meant.Identity.Has(at)):
		return fmt.Errorf("its definition names %s, but controller %s is at %s now; correct it by an order: lendkeep plan LAYOUT -o FILE, then lendkeep apply FILE", at, name, f.Address)
	case where == facts.Aside:
		if err := b.byExclusion(meant.Identity, f); err != nil {
			return err
		}
	}
	if err := meant.alike(f); err != nil {
		return err
	}
	return b.oneOfItsKind(meant, f)
}

// oneOfItsKind refuses a controller that says no serial while another one of the host's
// could be it as well: a card was moved or added since its place was noted, and at that
// place may sit the other one. Of one that no rule knows nobody says what tells it
// apart. A chip's functions keep their numbers wherever it sits.
func (b *before) oneOfItsKind(meant Controller, f *facts.Function) error {
	r := meant.Identity
	if rule := b.rules.ByName()[r.Controller]; rule == nil || rule.Identity.Serial != "" || r.Serial != "" || r.IsVirtual() {
		return nil
	}
	for _, other := range b.ix.OfUnknownKind() {
		if gap := other.Gap("vendor"); gap == nil || gap.Fact != facts.GapAll { // that of what was passed over was looked at
			return fmt.Errorf("controller %s is known by its kind, and of %s not even the kind is known", r.Controller, other.Address)
		}
	}
	for _, other := range b.ix.OfKind(f.Vendor, f.Device) {
		switch {
		case other == f || other.Parent != nil || other.Address.Function != f.Address.Function:
		case meant.Slot != "" && other.Slot != meant.Slot:
		case r.Whole() && len(b.ix.Physical(other.Address)) != len(r.Addresses()):
		case differs(f.Subsystem(), other.Subsystem(), f.SubsystemGap(), other.SubsystemGap()):
		case differs(f.DeviceSerial, other.DeviceSerial, f.Gap("device_serial"), other.Gap("device_serial")):
		default:
			return fmt.Errorf("controller %s is known by its kind, and %s could be it as well as %s: a card was added or moved since; state what tells them apart (slot, subsystem, device_serial), and bring the rules up to date by an order", r.Controller, other.Title(), f.Title())
		}
	}
	return nil
}

// differs tells whether two cards say another thing of themselves, of which none is
// unknown.
func differs(one, other string, gaps ...*facts.Gap) bool {
	return one != other && !slices.ContainsFunc(gaps, func(g *facts.Gap) bool { return g != nil })
}

// byExclusion is the identity of an NVMe controller that is on VFIO already
// and so cannot be asked for its serial: it is the one meant if no other of its
// kind is off the host's driver. No order's word is taken for it: cards may have
// been moved since it was written.
func (b *before) byExclusion(meant facts.Identity, f *facts.Function) error {
	if meant.Serial == "" {
		return nil
	}
	for _, twin := range b.ix.OfKind(f.Vendor, f.Device) {
		if twin != f && twin.NVMe == nil && twin.Parent == nil {
			return fmt.Errorf("controller %s is on VFIO, where it cannot be asked for its serial, and %s of the same kind neither; take it back by an order first", meant.Controller, twin.Address)
		}
	}
	for _, other := range b.ix.OfUnknownKind() {
		if other != f && other.NVMe == nil {
			return fmt.Errorf("controller %s is on VFIO, where it cannot be asked for its serial, and of %s not even the kind is known; take it back by an order first", meant.Controller, other.Address)
		}
	}
	b.verdict.Notes = append(b.verdict.Notes, fmt.Sprintf("controller %s is on VFIO already and could not be asked for its serial; no other of its kind could be it", meant.Controller))
	return nil
}

// alike compares more than the serial, which twins of cheap drives can share.
func (c Controller) alike(f *facts.Function) error {
	name := c.Identity.Controller
	switch {
	case c.Slot != "" && f.Slot != c.Slot:
		return fmt.Errorf("controller %s is in slot %q by the layout, but %s is in slot %q", name, c.Slot, f.Title(), f.Slot)
	case f.NVMe != nil && c.Model != "" && f.NVMe.Model != c.Model:
		return fmt.Errorf("controller %s is a %s by the rules, but %s has that serial", name, c.Model, f.Title())
	case f.NVMe != nil && c.SizeBytes != 0 && f.NVMe.SizeBytes() != c.SizeBytes:
		return fmt.Errorf("the drive of controller %s has %d bytes, by the rules it had %d; bring the rules up to date by an order", name, f.NVMe.SizeBytes(), c.SizeBytes)
	}
	return c.sameCard(f)
}

// sameCard compares what a card without a serial says of itself with what it said when
// the rules were made.
func (c Controller) sameCard(f *facts.Function) error {
	name := c.Identity.Controller
	for _, said := range []struct {
		what, was, is string
		gap           *facts.Gap // why it is not known
	}{
		{"subsystem", c.Subsystem, f.Subsystem(), f.SubsystemGap()},
		{"device serial number", c.DeviceSerial, f.DeviceSerial, f.Gap("device_serial")},
	} {
		if said.was == "" || said.was == said.is {
			continue
		}
		if said.gap != nil {
			return fmt.Errorf("the %s of controller %s could not be read: %s: %s", said.what, name, said.gap.Path, said.gap.Reason)
		}
		return fmt.Errorf("controller %s is another card than it was: %s has the %s %s, by the rules it had %s; bring the rules up to date by an order", name, f.Title(), said.what, cmp.Or(said.is, "none"), said.was)
	}
	return nil
}
