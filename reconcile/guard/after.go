package guard

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
)

// Return is what the guard makes of controllers that a guest has let go.
type Return struct {
	Mount []Mounting
	Wait  []Missing
	Wrong []string // what keeps all of a controller's mounts from being made, in words for the operator
	Not   []NotMade
	Left  []string // what is for the operator, or the host's own configuration, in words: no alarm
}

// NotMade is a mount that is not made after a return, and why.
type NotMade struct {
	Controller string `json:"controller"`
	Partition  string `json:"partition"`
	Path       string `json:"path"`
	Why        string `json:"why"` // in words for the operator
}

func (n NotMade) String() string {
	return fmt.Sprintf("partition %s of controller %s was not mounted: %s", n.Partition, n.Controller, n.Why)
}

// Words gives all that keeps mounts from being made.
func (r Return) Words() []string {
	list := slices.Clone(r.Wrong)
	for _, n := range r.Not {
		list = append(list, n.String())
	}
	return list
}

// Waits gives what is not there yet in words.
func (r Return) Waits() []string { return append(r.Lacks(), r.Owed()...) }

// Lacks gives what of the controllers is not there yet.
func (r Return) Lacks() []string { return r.waits(false) }

// Owed gives what the host's own configuration has not set up yet.
func (r Return) Owed() []string { return r.waits(true) }

func (r Return) waits(own bool) []string {
	var list []string
	for _, m := range r.Wait {
		if m.Own == own {
			list = append(list, m.What)
		}
	}
	return list
}

// Missing is what is not there yet; a look a little later may find it.
type Missing struct {
	Controller facts.Identity
	Within     time.Duration // the layout's return limit
	Drive      bool          // the controller or its drive: the ladder may bring it back
	Own        bool          // the host's own configuration has to set it up: no alarm, nothing that failed
	What       string        // in words for the operator
}

// Mounting is a mount to be made.
type Mounting struct {
	Controller string // name in the layout
	Device     string // below /dev, as named at this moment
	Mount
}

// After decides what is mounted when a guest has ended. libvirt says that too
// of a start that was refused, also while another guest has the controller or
// is about to: one that is on a VFIO driver, or that a start was granted, is
// left alone. While an order is carried out, mounts are its matter.
func After(r Rules, ix *facts.Index, call Call) Return {
	var made Return
	if call.Ordered != nil {
		return made
	}
	for _, c := range r.letGo(call) {
		made.back(ix, c, call.Granted)
	}
	return made
}

// letGo gives the controllers that a guest may have let go.
func (r Rules) letGo(call Call) []*Controller {
	var list []*Controller
	guest, held := r.guest(call.Guest), call.Definition.Functions()
	for i := range r.Controllers {
		c := &r.Controllers[i]
		if slices.ContainsFunc(held, c.Identity.Has) || slices.Contains(guest.Borrows, c.Identity.Controller) {
			list = append(list, c)
		}
	}
	return list
}

func (r *Return) back(ix *facts.Index, c *Controller, granted []Grant) {
	name := c.Identity.Controller
	where, f, _ := ix.Where(c.Identity)
	switch {
	case where == facts.Aside || where == facts.Lent:
		return
	case f != nil && slices.ContainsFunc(granted, func(g Grant) bool { return g.Place == "" && c.Identity.Has(g.Address) }):
		return
	case where == facts.Gone || f.Driver == "" && len(c.Mounts) > 0: // a card may have no driver at home
		r.wait(c, true, "controller %s is not back with the host", name)
		return
	case c.SizeBytes != 0 && (f.NVMe == nil || f.NVMe.SizeBytes() == 0):
		// The kernel shows the controller before it has looked for its drives.
		r.wait(c, true, "the drive of controller %s has not appeared", name)
		return
	}
	if err := c.alike(f); err != nil {
		r.Wrong = append(r.Wrong, err.Error())
		return
	}
	r.shown(ix, c, f)
	mounts := slices.SortedFunc(slices.Values(c.Mounts), func(a, b Mount) int { return strings.Compare(a.Path, b.Path) })
	for _, m := range mounts { // outer ones before those in them
		r.mount(ix, f, c, m)
	}
}

func (r *Return) wait(c *Controller, drive bool, format string, values ...any) {
	r.Wait = append(r.Wait, Missing{c.Identity, c.Within, drive, false, fmt.Sprintf(format, values...)})
}

func (r *Return) mount(ix *facts.Index, f *facts.Function, c *Controller, m Mount) {
	what := fmt.Sprintf("%s of controller %s", m.Partition, c.Identity.Controller)
	part := ix.PartitionNamed(f.Address, m.Partition)
	if part == nil || len(part.Gaps) > 0 || part.Signature == nil {
		r.wait(c, false, "partition %s, or the filesystem on it, has not appeared", what)
		return
	}
	there := ix.MountAt(m.Path)
	wrong := func(format string, values ...any) {
		r.Not = append(r.Not, NotMade{c.Identity.Controller, m.Partition, m.Path, fmt.Sprintf(format, values...)})
	}
	switch {
	case there.Of(part, m.Path):
	case there != nil:
		wrong("%s is mounted at %s", there.Source, m.Path)
	case m.PartitionID != "" && part.Partition.ID != m.PartitionID:
		wrong("it has the id %s, by the rules %s", part.Partition.ID, m.PartitionID)
	case part.Signature.Usage != "filesystem" || m.FSType != "" && part.Signature.Kind != m.FSType:
		wrong("it holds %s, by the rules %s", part.Signature.Kind, m.FSType)
	case len(ix.MountsBelow(m.Path)) > 0:
		wrong("%s is mounted below, where nobody would find it afterwards", ix.MountsBelow(m.Path)[0].Path)
	case r.lacks(ix, f, c, m) != "":
		wrong("it belongs into %s, which is not mounted", r.lacks(ix, f, c, m))
	case used(ix, part) != "":
		wrong("it is in use: %s", used(ix, part))
	case unclean(ix, part) != "":
		wrong("%s; look at it, have it repaired where it needs that, and mount it by hand or by an order", unclean(ix, part))
	default:
		r.Mount = append(r.Mount, Mounting{c.Identity.Controller, "/dev/" + part.Name, m})
	}
}

// lacks gives the mount of the rules that another one is in, where that is not
// there: what is mounted meanwhile would be below it when it comes.
func (r *Return) lacks(ix *facts.Index, f *facts.Function, c *Controller, inner Mount) string {
	for _, outer := range c.Mounts {
		if !Within(inner.Path, outer.Path) || slices.ContainsFunc(r.Mount, func(m Mounting) bool { return m.Path == outer.Path }) {
			continue
		}
		if !ix.MountAt(outer.Path).Of(ix.PartitionNamed(f.Address, outer.Partition), outer.Path) {
			return outer.Path
		}
	}
	return ""
}

// Within tells whether a place is below another.
func Within(place, outer string) bool { return strings.HasPrefix(place, outer+"/") }

// unclean says why a filesystem is not mounted by a program that nobody
// watches: mounting writes to it, read-only too where a log is replayed, and a
// sleeping system would later write over what has changed. The host unmounted it
// before it was lent, so one that is not clean was written to by the guest.
// Marks that could not be read count as that; that guests wait for a person is
// mended in a minute, what they write on a broken filesystem is not.
func unclean(ix *facts.Index, part *facts.Block) string {
	content := ix.Content(part.Whole)
	if content == nil {
		return "" // nobody has looked; who mounts has to, and notes what it could not read
	}
	v := content.Volume(part.Partition.Number)
	if v == nil {
		return "whether it was left clean is not known: the partition is not in the table as it was read"
	}
	// What udev has is blkid's answer, so that both readings are asked here too.
	switch whole, own := content.Signature, v.Signature; {
	case whole != nil && whole.Usage != "filesystem":
		return "the drive as a whole is marked as " + whole.Kind + ", so what is on it may be a part of that"
	case own != nil && own.Kind != part.Signature.Kind:
		return "what it holds is not known: udev has " + part.Signature.Kind + ", its bytes say " + own.Kind
	}
	switch v.Condition {
	case facts.Clean:
		return ""
	case facts.Dirty:
		return "it was not left clean: " + v.Why
	case facts.Hibernated:
		return "a system that sleeps will write to it: " + v.Why
	}
	why := v.Why
	if v.Gap != "" {
		why = v.Gap
	}
	return "whether it was left clean is not known: " + why
}

// used names a use of exactly this partition: mounted elsewhere, or a volume
// that the host has assembled from it.
func used(ix *facts.Index, part *facts.Block) string {
	for _, use := range ix.LiveUses(*part.Controller) {
		if slices.ContainsFunc(use.Chain, func(title string) bool { return title == part.Name || strings.HasPrefix(title, part.Name+" ") }) {
			return use.String()
		}
	}
	return ""
}
