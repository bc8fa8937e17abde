package since

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// kind is what tells functions apart besides what they say of themselves.
type kind struct{ vendor, device, subVendor, subDevice uint16 }

func kindOf(f *facts.Function) kind {
	return kind{uint16(f.Vendor), uint16(f.Device), uint16(f.SubsystemVendor), uint16(f.SubsystemDevice)}
}

// functions tells of every function once: of one that is on both surveys how it
// has changed, of others that they are gone or new.
func (c *comparison) functions() {
	was, is := rest(c.was.Survey.Functions), rest(c.is.Survey.Functions)
	pairs := map[*facts.Function]*facts.Function{} // the new one by the old one
	pair := func(a, b *facts.Function) {
		pairs[a] = b
		delete(was, a.Address)
		delete(is, b.Address)
	}
	for _, a := range sorted(was) {
		if a.NVMe != nil && len(c.was.BySerial(a.NVMe.Serial)) == 1 {
			if list := c.is.BySerial(a.NVMe.Serial); len(list) == 1 && list[0].NVMe.Model == a.NVMe.Model {
				pair(a, list[0])
			}
		}
	}
	for _, a := range sorted(was) {
		if b := is[a.Address]; b != nil && maySame(a, b) {
			pair(a, b)
		}
	}
	for _, a := range sorted(was) { // the only ones of their kind that are left
		old, now := ofKind(was, kindOf(a)), ofKind(is, kindOf(a))
		if a.NVMe == nil && len(old) == 1 && len(now) == 1 && now[0].NVMe == nil {
			pair(a, now[0])
		}
	}
	for i := range c.was.Survey.Functions {
		a := &c.was.Survey.Functions[i]
		if b := pairs[a]; b != nil {
			c.function(a, b)
		} else {
			c.say(Change{was: a}, "%s is %s; it was at %s", a.Name(), gone(c.is.Survey.Gaps), a.Address)
		}
	}
	for _, b := range sorted(is) {
		c.say(Change{is: b}, "%s is %s at %s", b.Name(), fresh(c.was.Survey.Gaps), b.Address)
	}
}

// gone is what a thing is that a survey does not show.
func gone(gaps []facts.Gap) string {
	if len(gaps) > 0 {
		return "not seen"
	}
	return "gone"
}

// fresh is what a thing is that the older survey did not show.
func fresh(gaps []facts.Gap) string {
	if len(gaps) > 0 {
		return "new, or was not seen,"
	}
	return "new"
}

func rest(list []facts.Function) map[facts.Address]*facts.Function {
	m := make(map[facts.Address]*facts.Function, len(list))
	for i := range list {
		m[list[i].Address] = &list[i]
	}
	return m
}

func sorted(m map[facts.Address]*facts.Function) []*facts.Function {
	return slices.SortedFunc(maps.Values(m), func(a, b *facts.Function) int { return a.Address.Compare(b.Address) })
}

func ofKind(m map[facts.Address]*facts.Function, k kind) []*facts.Function {
	return slices.DeleteFunc(sorted(m), func(f *facts.Function) bool { return kindOf(f) != k })
}

// maySame tells whether two functions at one address can be the same: of one
// kind, and not both with a serial, which would have paired them.
func maySame(a, b *facts.Function) bool {
	return kindOf(a) == kindOf(b) && (a.NVMe == nil || b.NVMe == nil)
}

// function tells how a function has changed.
func (c *comparison) function(a, b *facts.Function) {
	of, called := Change{was: a, is: b}, a.Name()
	if a.NVMe == nil {
		called = b.Name()
	}
	if a.Address != b.Address {
		c.say(of, "%s has moved from %s to %s", called, a.Address, b.Address)
	}
	called += " at " + b.Address.String()
	turned(c, of, called, place(c.was, a), place(c.is, b), shown)
	turned(c, of, "the IOMMU group of "+called, company(c.was, a), company(c.is, b), shown)
	turned(c, of, "the slot of "+called, a.Slot, b.Slot, shown)
	turned(c, of, "what resets "+called, strings.Join(a.ResetMethods, ", "), strings.Join(b.ResetMethods, ", "), shown)
	turned(c, of, "the number of virtual functions of "+called, a.Virtual, b.Virtual, shown)
	turned(c, of, "the link of "+called, lanes(a), lanes(b), shown)
	turned(c, of, "what is up of "+called, cards(a), cards(b), shown)
	if a.NVMe == nil || b.NVMe == nil {
		return // one on VFIO says nothing of its drive
	}
	turned(c, of, "the firmware of "+called, a.NVMe.Firmware, b.NVMe.Firmware, shown)
	c.drives(a, b, called)
}

// place says who has a function.
func place(ix *facts.Index, f *facts.Function) string {
	holder := ix.Holder(f.Address)
	switch {
	case holder != nil && f.OnVFIO():
		return "lent to guest " + holder.Name
	case f.OnVFIO():
		return "aside on " + f.Driver
	case f.Gap("driver") != nil:
		return "with a driver that could not be read"
	case f.Driver == "":
		return "without a driver"
	case f.NVMe != nil && f.NVMe.State != "live":
		return "with driver " + f.Driver + " and " + cmp.Or(f.NVMe.State, "in a state that it does not tell")
	default:
		return "with driver " + f.Driver
	}
}

// company names the others of a function's IOMMU group by what they are, since
// their addresses and the group's number may move.
func company(ix *facts.Index, f *facts.Function) string {
	if f.Group == nil {
		return "none"
	}
	var names []string
	for _, member := range ix.Group(*f.Group) {
		if member != f {
			names = append(names, member.Kind())
		}
	}
	if len(names) == 0 {
		return "its own"
	}
	slices.Sort(names)
	return "shared with " + strings.Join(names, ", ")
}

// lanes leaves the speed of the moment out: an idle link may be slower.
func lanes(f *facts.Function) string {
	if f.Link == nil || f.Link.Width == 0 {
		return ""
	}
	return fmt.Sprintf("x%d of at most %.3g GT/s x%d", f.Link.Width, float64(f.Link.MaxSpeedMTps)/1000, f.Link.MaxWidth)
}

func cards(f *facts.Function) string {
	var list []string
	for _, card := range f.Interfaces {
		if card.Up {
			list = append(list, card.Name)
		}
	}
	return strings.Join(list, ", ")
}
