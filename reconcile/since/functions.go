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
		if a.NVMe != nil && a.NVMe.Serial != "" && len(c.was.BySerial(a.NVMe.Serial)) == 1 {
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
		if a.NVMe == nil && a.KindKnown() && len(old) == 1 && len(now) == 1 && now[0].NVMe == nil {
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

// either says one thing of what a survey does not show, and another where it has
// gaps, so that it may be there.
func either(gaps []facts.Gap, known, unknown string) string {
	if len(gaps) > 0 {
		return unknown
	}
	return known
}

const notBefore = " (or was not seen before)"

// gone is what a thing is that a survey does not show.
func gone(gaps []facts.Gap) string { return either(gaps, "gone", "not seen") }

// fresh is what a thing is that the older survey did not show.
func fresh(gaps []facts.Gap) string { return "new" + either(gaps, "", notBefore) }

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

// maySame tells whether two functions at one address can be the same: of one kind
// as far as that is known, and with no two serials.
func maySame(a, b *facts.Function) bool {
	return (kindOf(a) == kindOf(b) || !a.KindKnown() || !b.KindKnown()) && (serial(a) == "" || serial(b) == "" || serial(a) == serial(b))
}

// serial is empty for what has none, or does not tell it.
func serial(f *facts.Function) string {
	if f.NVMe == nil {
		return ""
	}
	return f.NVMe.Serial
}

// attributes are what a function says of itself, by the fact that a gap of it names.
var attributes = []struct {
	fact, what string
	of         func(*facts.Index, *facts.Function) string
}{
	{"group", "the IOMMU group of ", company},
	{"slot", "the slot of ", func(_ *facts.Index, f *facts.Function) string { return f.Slot }},
	{"device_serial", "the device serial number of ", func(_ *facts.Index, f *facts.Function) string { return f.DeviceSerial }},
	{"reset_method", "what resets ", func(_ *facts.Index, f *facts.Function) string { return strings.Join(f.ResetMethods, ", ") }},
	{"virtual_functions", "the number of virtual functions of ", func(_ *facts.Index, f *facts.Function) string { return fmt.Sprint(f.Virtual) }},
	{"virtual_number", "the number as a virtual function of ", func(_ *facts.Index, f *facts.Function) string { return numbered(f) }},
	{"link", "the link of ", func(_ *facts.Index, f *facts.Function) string { return lanes(f) }},
	{"network_interfaces", "what is up of ", func(_ *facts.Index, f *facts.Function) string { return cards(f) }},
}

// numbered says which of its parent's a virtual function is; empty: it is none.
func numbered(f *facts.Function) string {
	if f.Parent == nil || f.VirtualNumber == nil {
		return ""
	}
	return fmt.Sprintf("%d of %s", *f.VirtualNumber, *f.Parent)
}

// told tells whether an attribute could be read: the host's own lists of slots,
// groups and interfaces are asked for some.
func told(ix *facts.Index, f *facts.Function, fact string) bool {
	return f.Gap(fact) == nil && read(ix.Survey.Gaps, fact, "functions."+fact) && (fact != "group" || read(ix.Survey.Gaps, "functions"))
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
	if a.Gap("driver") == nil {
		turned(c, of, called, place(c.was, a), place(c.is, b), shown)
	}
	for _, t := range attributes {
		c.seen(of, t.what+called, t.of(c.was, a), t.of(c.is, b), told(c.was, a, t.fact), told(c.is, b, t.fact))
	}
	if a.NVMe == nil || b.NVMe == nil {
		return // one on VFIO says nothing of its drive
	}
	c.seen(of, "the serial of "+called, a.NVMe.Serial, b.NVMe.Serial, a.NVMe.Serial != "", b.NVMe.Serial != "")
	c.seen(of, "the firmware of "+called, a.NVMe.Firmware, b.NVMe.Firmware, told(c.was, a, "nvme.firmware"), told(c.is, b, "nvme.firmware"))
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
		if has := card.Carries(); card.Up && has != "" {
			list = append(list, card.Name+" ("+has+")")
		} else if card.Up {
			list = append(list, card.Name)
		}
	}
	return strings.Join(list, ", ")
}
