package guard

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Call is one start or end of a guest that libvirt tells the guard of.
type Call struct {
	Guest      string
	Definition facts.Definition
	// Ordered is what an order that is being carried out says of itself; nil: none
	// is. It sees to mounts itself, and its undo may start a guest as it was before
	// the rules.
	Ordered *Ordered
	// Granted is what starts were granted that have not ended yet.
	Granted []Grant
}

// Grant is what a guest that is being started counts on until libvirt has what it
// needs: a function that it takes, or a place that it lives on.
type Grant struct {
	Guest   string
	Address facts.Address // of the function; zero for a place
	Place   string        // where something is mounted; empty for a function
}

// of tells whether a function was granted.
func (g Grant) of(at facts.Address) bool { return g.Place == "" && g.Address == at }

// String names it for people.
func (g Grant) String() string {
	if g.Place != "" {
		return fmt.Sprintf("guest %s, which lives on %s", g.Guest, g.Place)
	}
	return fmt.Sprintf("guest %s, which borrows %s", g.Guest, g.Address)
}

// Verdict is what the guard says before a start.
type Verdict struct {
	Refuse  string   // the reason, in words for the operator; empty: it may start
	Unmount []string // paths to unmount first, in this sequence, then to look again; one that is mounted on twice is there twice
	Notes   []string // what could not be made sure but does not refuse
	Alarms  []string // what would refuse it, but the layout wants it told only
	Lends   []string // names of the controllers that it would have
	Lives   []string // places of the rules' mounts that it lives on
}

// Before decides on a start. ix has no facts of libvirt's, since the guard
// must not call it: a guest that uses a drive through libvirt alone is an
// order's matter.
//
// A guest that the rules do not know is let through, unless it names a
// controller that they give to others or never lend, or a function whose
// drives the host uses, or that has virtual ones: that start takes from others
// what they use for certain, so whoever asks for it would want it refused. What
// only is used as a network card is left to libvirt then, as it always was.
func Before(r Rules, ix *facts.Index, call Call) Verdict {
	b := newBefore(r, ix, call)
	checks := []func() error{b.seen, b.undisturbed, b.together, b.lending, b.leaving, b.disks, b.homes, b.links}
	for _, check := range checks {
		if err := check(); err != nil {
			return Verdict{Refuse: err.Error()}
		}
	}
	if call.Ordered != nil && len(b.verdict.Unmount) > 0 {
		return Verdict{Refuse: fmt.Sprintf("an order is being carried out and %s is still mounted", b.verdict.Unmount[0])}
	}
	return b.verdict
}

// Blind decides on a start when the rules cannot be relied on, or the host
// cannot be read: why says so. Only guests that hold a PCI function are
// refused.
func Blind(call Call, why error) Verdict {
	held := call.Definition.Functions()
	if len(held) == 0 {
		return Verdict{}
	}
	return Verdict{Refuse: fmt.Sprintf("it borrows the PCI function %s, and nothing could be checked: %v", held[0], why)}
}

type before struct {
	rules   Rules
	ix      *facts.Index
	call    Call
	guest   Guest
	started bool // by the order under way
	lent    map[facts.Address]bool
	verdict Verdict
}

func newBefore(r Rules, ix *facts.Index, call Call) *before {
	call.Definition = r.Located(call.Definition)
	b := &before{rules: r, ix: ix, call: call, guest: r.guest(call.Guest), started: call.Ordered.Starts(call.Guest), lent: map[facts.Address]bool{}}
	for _, l := range call.Definition.Hostdevs {
		b.lent[l.Address] = true
	}
	return b
}

// seen refuses to lend on a host of which the essential was not read.
func (b *before) seen() error {
	if len(b.call.Definition.Functions()) == 0 {
		return nil
	}
	return unseen(b.ix)
}

// unseen says what of the essential was not read.
func unseen(ix *facts.Index) error {
	for _, gap := range ix.Survey.Gaps {
		switch area, _, _ := strings.Cut(gap.Fact, "."); area {
		case "functions", "blocks", "mounts", "swaps":
			return fmt.Errorf("what the host uses is not known: %s: %s", gap.Path, gap.Reason)
		}
	}
	return nil
}

func (b *before) lending() error {
	for _, at := range b.call.Definition.Functions() {
		// Of two that were granted one function, the end of one start would have
		// mounted what the other is about to take.
		for _, g := range b.call.Granted {
			if g.of(at) && g.Guest != b.call.Guest {
				return fmt.Errorf("guest %s, which is being started, was granted %s; try again in a moment", g.Guest, at)
			}
		}
		if err := b.lend(at); err != nil {
			return err
		}
	}
	return nil
}

// leaving refuses to unmount what a guest lives on that is being started: libvirt
// may not have opened its files yet.
func (b *before) leaving() error {
	for _, g := range b.call.Granted {
		if g.Place != "" && g.Guest != b.call.Guest && slices.Contains(b.verdict.Unmount, g.Place) {
			return fmt.Errorf("guest %s, which is being started, lives on %s; try again in a moment", g.Guest, g.Place)
		}
	}
	return nil
}

// lend decides on one function of the definition.
func (b *before) lend(at facts.Address) error {
	f := b.ix.Function(at)
	for _, r := range b.takes(at) {
		if err := b.identity(b.known(r), at); err != nil {
			return err
		}
	}
	if meant := b.meant(at); meant != nil {
		if err := b.identity(*meant, at); err != nil {
			return err
		}
		if err := b.fromTheCard(meant.Identity); err != nil {
			return err
		}
	} else if f == nil {
		return nil // libvirt itself says so
	}
	owner := b.owner(at)
	if err := b.permitted(f, owner); err != nil {
		return err
	}
	if err := b.underVirtuals(f); err != nil {
		return err
	}
	if err := b.withParent(f); err != nil {
		return err
	}
	if owner != nil {
		b.verdict.Lends = append(b.verdict.Lends, owner.Identity.Controller)
	}
	if owner == nil {
		if err := b.unused(f, nil, true); err != nil || !b.lent[at] || len(b.guest.Borrows) == 0 {
			return err
		}
		return b.viable(f, f.Title())
	}
	for _, gap := range f.Gaps {
		if fact, _, _ := strings.Cut(gap.Fact, "."); slices.Contains([]string{"driver", "group", "nvme", "vendor", "device", facts.GapAll}, fact) {
			return fmt.Errorf("%s of controller %s is not known: %s: %s", gap.Fact, owner.Identity.Controller, gap.Path, gap.Reason)
		}
	}
	if err := b.unused(f, owner, false); err != nil {
		return err
	}
	return b.viable(f, "controller "+owner.Identity.Controller)
}

// meant gives the controller that the definition means by an address: by the
// note that lendkeep left in it, else by the rules.
func (b *before) meant(at facts.Address) *Controller {
	for _, r := range b.call.Definition.Identities {
		if r.Has(at) {
			c := b.known(r)
			return &c
		}
	}
	controllers := b.rules.ByName()
	for _, name := range b.guest.Borrows {
		if c := controllers[name]; c.Identity.Has(at) {
			return c
		}
	}
	return nil
}

// known gives a controller by a record, with what the rules know of the same one.
func (b *before) known(r facts.Identity) Controller {
	if c := b.rules.ByName()[r.Controller]; c != nil && c.Identity.Serial == r.Serial {
		return Controller{Identity: r, Slot: c.Slot, Subsystem: c.Subsystem, DeviceSerial: c.DeviceSerial, Model: c.Model, SizeBytes: c.SizeBytes}
	}
	return Controller{Identity: r}
}

// owner gives the controller of the rules that sits at an address now; one
// that is with nobody who could be asked sits where it was last seen.
func (b *before) owner(at facts.Address) *Controller {
	for i := range b.rules.Controllers {
		c := &b.rules.Controllers[i]
		if _, f, _ := b.ix.Where(c.Identity); f != nil && (f.Address == at || c.Identity.Whole() && c.Identity.Has(at)) {
			return c
		}
	}
	return nil
}

func (b *before) permitted(f *facts.Function, owner *Controller) error {
	if serial := b.ix.SerialOf(f); serial != "" && slices.Contains(b.rules.NeverLend, serial) {
		return fmt.Errorf("%s is never lent, by the layout's never_lend", f.Title())
	}
	if owner == nil || b.borrows(owner, f.Address) {
		return nil
	}
	name := owner.Identity.Controller
	if others := b.rules.borrowers()[name]; len(others) > 0 {
		return fmt.Errorf("its definition names %s, which is controller %s: the layout lends that to %s only", f.Address, name, strings.Join(others, ", "))
	}
	return fmt.Errorf("its definition names %s, which is controller %s: the layout lends that to no guest", f.Address, name)
}

// unused refuses while the host uses a drive of the function, but for mounts
// that the rules declare: those are unmounted, inner ones before those that they
// are in. Of a stranger's function only its drives count.
func (b *before) unused(f *facts.Function, owner *Controller, drivesOnly bool) error {
	var leave []*facts.Mount
	for _, use := range b.ix.LiveUses(f.Address) {
		switch {
		case use.Kind == facts.UseMount && owner != nil && b.declared(owner, f, use.Mount):
			if !slices.Contains(leave, use.Mount) {
				leave = append(leave, use.Mount)
			}
		case drivesOnly && !ofDrives(f, use):
		default:
			return fmt.Errorf("the host uses %s: %s; %s", f.Title(), use.Told(), use.Loss())
		}
	}
	if why := b.ix.Unasked(f.Address); why != "" {
		return fmt.Errorf("what the host uses is not known: %s", why)
	}
	for _, m := range leave {
		b.verdict.Unmount = append(b.verdict.Unmount, m.Path)
	}
	slices.SortFunc(b.verdict.Unmount, func(a, b string) int { return strings.Compare(b, a) })
	return nil
}

// ofDrives tells whether a use is one of a function's drives, as far as can be
// told: everything below a mass storage controller (class 01 of the PCI Code and
// ID Assignment Specification) is taken for one.
func ofDrives(f *facts.Function, use facts.Use) bool {
	switch use.Kind {
	case facts.UseNetwork, facts.UseSession, facts.UseConsole:
		return false
	case facts.UseDevice:
		return f.Class>>16 == 1
	case facts.UseProcess, facts.UseUnknown:
		return f.Class>>16 == 1 || !slices.ContainsFunc(f.Attached, func(a facts.Attached) bool { return a.Name == use.Chain[len(use.Chain)-1] })
	}
	return true
}

func (b *before) declared(c *Controller, f *facts.Function, m *facts.Mount) bool {
	return slices.ContainsFunc(c.Mounts, func(rule Mount) bool {
		return m.Of(b.ix.PartitionNamed(f.Address, rule.Partition), rule.Path)
	})
}

// viable asks what the kernel will say of the group: libvirt would take the
// controller from the host first and only then be refused.
func (b *before) viable(f *facts.Function, name string) error {
	if f.Group == nil {
		return fmt.Errorf("%s is in no IOMMU group, so the kernel does not lend it", name)
	}
	if list := b.ix.Blockers(*f.Group, b.lent); len(list) > 0 {
		return fmt.Errorf("%s cannot be lent without its IOMMU group: %s: %s", name, list[0].Function.Title(), list[0].Reason)
	}
	return nil
}

// homes refuses a guest that has something on a return mount that is not there:
// it would find nothing, or an old file of the same name below, and what it
// writes would stay there, on the host's own drive.
func (b *before) homes() error {
	for i := range b.rules.Controllers {
		c := &b.rules.Controllers[i]
		for _, m := range c.Mounts {
			lives := b.livesOn(m.Path)
			if lives == "" {
				continue
			}
			b.verdict.Lives = append(b.verdict.Lives, m.Path)
			why := b.absent(c, m)
			if why == "" {
				continue
			}
			text := fmt.Sprintf("%s %s of controller %s, and %s", lives, m.Path, c.Identity.Controller, why)
			if c.OnFailure == "hold" {
				return fmt.Errorf("%s", text)
			}
			b.verdict.Alarms = append(b.verdict.Alarms, text)
		}
	}
	return nil
}

// livesOn says what a guest has on a place; empty: nothing. It goes by the
// rules, which know of images below images, and by the definition. An order's
// undo may start a guest that lived elsewhere before.
func (b *before) livesOn(place string) string {
	if !b.started && slices.Contains(b.guest.LivesOn, place) {
		return "it has files on"
	}
	if slices.ContainsFunc(b.ix.Places(&b.call.Definition), func(named string) bool { return facts.Within(named, place) }) {
		return "it has files on"
	}
	if anywhere := b.unlocated(); len(anywhere) > 0 {
		return fmt.Sprintf("volume %s of pool %s, which the rules do not know, may be on", anywhere[0].Volume, anywhere[0].Pool)
	}
	return ""
}

// absent says why a return mount is not there; empty: it is.
func (b *before) absent(c *Controller, m Mount) string {
	there := b.ix.MountAt(m.Path)
	if there == nil {
		return "nothing is mounted there"
	}
	where, f, _ := b.ix.Where(c.Identity)
	if where != facts.Home {
		return fmt.Sprintf("the controller is %s", where)
	}
	if !there.Of(b.ix.PartitionNamed(f.Address, m.Partition), m.Path) {
		return there.Source + " is mounted there, not partition " + m.Partition
	}
	return ""
}
