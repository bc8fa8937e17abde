// shared: two guests that run at the same time use one thing that only one can
// have: a PCI function or its IOMMU group, or an image, block device or
// partition that one of them writes. It counts by whatever name, through links,
// pools, bind mounts and the images below an image, and so does a part of it: a
// partition and its drive, an image and the partition that it lies on.
//
// Two that write one filesystem destroy it, and so does one under another that
// reads it. libvirt locks nothing unless a lock manager is set up, QEMU locks
// image files only on the same host and no block devices (libvirt
// docs/kbase/locking.rst; QEMU docs/system/images, "image locking"). Both may
// say that this is meant: `<shareable/>` in both definitions, or `<readonly/>`.
//
// Severity: stop where the order starts one of the two; else caution.
//
// Remedy: put the guests into different shifts, or give one of them another disk
// or device. If both may have it, say so in both definitions.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkShared(c *Case) []Finding {
	list := c.sharedIn(c.Shift)
	for i := range c.Layout.Shifts {
		if s := &c.Layout.Shifts[i]; s != c.Shift {
			list = append(list, c.sharedIn(s)...)
		}
	}
	return list
}

// claim is one guest's use of a thing.
type claim struct {
	who *running
	facts.Piece
}

func (c *Case) sharedIn(shift *spec.Shift) []Finding {
	claims := c.claims(shift)
	owners := map[string][]int{} // claims by what they are of
	for i, one := range claims {
		owners[one.Same] = append(owners[one.Same], i)
	}
	told := map[[2]string]bool{}
	var list []Finding
	for i, one := range claims {
		for _, same := range one.On {
			for _, n := range owners[same] {
				other := claims[n]
				if n == i || one.who == other.who || told[[2]string{one.who.name, other.who.name}] || !one.Clashes(other.Piece) {
					continue
				}
				if f, bad := c.sharedFinding(shift, one, other); bad {
					told[[2]string{one.who.name, other.who.name}], told[[2]string{other.who.name, one.who.name}] = true, true
					list = append(list, f)
				}
			}
		}
	}
	return list
}

// claims lists what the guests of a shift use. What the layout's controllers
// are is not in it: contention and undeclared speak of those.
func (c *Case) claims(shift *spec.Shift) []claim {
	declared := map[string]bool{}
	for at := range c.meant {
		declared[facts.SameFunction(at)] = true
	}
	var list []claim
	crew := c.crew(shift)
	for i := range crew {
		for _, p := range c.claimsOf(crew[i].has) {
			if !declared[p.Same] {
				list = append(list, claim{&crew[i], p})
			}
		}
	}
	return list
}

// sharedFinding tells of a clash, unless nothing of it is the order's or the
// layout's doing.
func (c *Case) sharedFinding(shift *spec.Shift, a, b claim) (Finding, bool) {
	stated := a.who.stated
	if stated == nil {
		stated = b.who.stated
	}
	if stated == nil || shift != c.Shift && !(c.shifting[a.who.name] || c.shifting[b.who.name]) {
		return Finding{}, false
	}
	f := Finding{Severity: Caution, At: stated.At,
		Summary:  shorten("guests " + a.who.name + " and " + b.who.name + " use one thing"),
		Detail:   fmt.Sprintf("Guest %s uses %s, guest %s %s, and that is the same or lies on it. Only one can have it at a time.", a.who.name, a.Named, b.who.name, b.Named),
		Causes:   []Cause{{"definition of guest " + a.who.name, a.Named}, {"definition of guest " + b.who.name, b.Named}},
		Remedies: []string{"put the guests into different shifts and plan one: lendkeep plan LAYOUT --shift NAME", "give one of them another disk or device", "if both may have it, say so in both definitions: <shareable/> or <readonly/>"},
	}
	if shift == c.Shift && (a.who.starts || b.who.starts) {
		f.Severity = Stop
	}
	return f, true
}

// Apart names the guests that the order shuts down and that have something
// which a guest needs for itself, huge pages among it: they are off before it starts.
func (c *Case) Apart(g *spec.Guest) []string {
	d := c.willHave(g)
	if d == nil {
		return nil
	}
	mine := c.claimsOf(d)
	var list []string
	for i := range c.Layout.Guests {
		other := &c.Layout.Guests[i]
		if other == g || !c.RunsNow(other.Name) || c.Runs(other) {
			continue
		}
		live := inForce(c.Facts.Guest(other.Name))
		if live == nil {
			continue
		}
		if _, _, bad := facts.Clash(mine, c.claimsOf(live)); bad || c.leavesPages(live, d) {
			list = append(list, other.Name)
		}
	}
	slices.Sort(list)
	return list
}
