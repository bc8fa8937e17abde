package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// is notes which functions a controller was found to be.
func (f *Found) is(functions ...*facts.Function) { f.Function, f.Functions = functions[0], functions }

// whole tells whether a controller is stated as all functions of its slot.
func (f Found) whole() bool { return f.Controller.PCI != nil && len(f.Controller.PCI.Functions) > 0 }

// parts gives a controller as often as it has functions, each time as if it were
// that one alone.
func (f Found) parts() []Found { return parts([]Found{f}) }

// parts gives those of all controllers; one that was not found has none.
func parts(list []Found) []Found {
	all := make([]Found, 0, len(list))
	for _, found := range list {
		for i := range found.Functions {
			part := found
			part.is(found.Functions[i : i+1 : i+1]...)
			all = append(all, part)
		}
	}
	return all
}

// claim notes whose each function is. What belongs to another controller of the
// layout already is not found once more.
func (c *Case) claim(found Found) Found {
	for _, f := range found.Functions {
		if other := c.meant[f.Address]; other != "" {
			return Found{Controller: found.Controller, Where: facts.Gone, Why: f.Title() + " is a function of controller " + other}
		}
	}
	for _, f := range found.Functions {
		c.meant[f.Address] = found.Controller.Name
	}
	return found
}

func (c *Case) findPCI(controller *spec.Controller) Found {
	found := Found{Controller: controller, Where: facts.Gone}
	want := controller.PCI
	what := want.Vendor.String() + ":" + want.Device.String()
	var unlike, doubtful []*facts.Function
	unread, alike := "", physical(c.Facts.OfKind(want.Vendor, want.Device))
	for _, f := range alike {
		switch {
		case want.Slot != "" && f.Slot != want.Slot:
		case want.Function != nil && int(f.Address.Function) != *want.Function:
		case want.Serial != "" && f.Gap("device_serial") != nil:
			unread += fmt.Sprintf("; that of %s is not known: %s", f.Title(), f.Gap("device_serial").Reason)
			doubtful = append(doubtful, f)
		case want.Serial != "" && f.DeviceSerial != want.Serial:
		case want.Subsystem != "" && f.SubsystemGap() != nil:
			doubtful = append(doubtful, f)
		case want.Subsystem != "" && f.Subsystem() != want.Subsystem:
		case found.whole() && !hasAll(c.Facts, f, want.Functions):
			unlike = append(unlike, f)
		default:
			found.Several = append(found.Several, f)
		}
	}
	if len(found.Several) > 0 { // any of the others may be the one
		for _, f := range doubtful {
			if !found.whole() || hasAll(c.Facts, f, want.Functions) {
				found.Several = append(found.Several, f)
			}
		}
	}
	switch len(found.Several) {
	case 0:
		found.Why = fmt.Sprintf("no function of the host is %s", what)
		if want.Slot != "" {
			found.Near = alike
			found.Why += " in slot " + want.Slot
		}
		if want.Subsystem != "" {
			found.Near = alike
			found.Why += " of the subsystem " + want.Subsystem
			if len(doubtful) > 0 {
				found.Why += "; that of " + listed(doubtful) + " could not be read"
			}
		}
		if want.Function != nil {
			found.Near = alike
			found.Why += fmt.Sprintf(" and has number %d in its slot", *want.Function)
		}
		if want.Serial != "" {
			found.Near = alike
			found.Why += " with the device serial number " + want.Serial + unread
		}
		if virtual := c.Facts.OfKind(want.Vendor, want.Device); len(alike) == 0 && len(virtual) > 0 {
			found.Near, found.Why = virtual, what+" are virtual functions here, which are told by what makes them"
		}
		if len(unlike) > 0 {
			found.Near, found.Why = nil, c.otherwiseMade(unlike, want.Functions)
		}
	case 1:
		if found.is(found.Several[0]); found.whole() {
			found.is(c.Facts.Physical(found.Function.Address)...)
		}
		found.Several = nil
		found.Where, _, found.Holder = c.Facts.Where(found.Identity())
	default:
		found.Why = fmt.Sprintf("%d functions of the host are %s", len(found.Several), what)
		if found.whole() {
			found.Why = fmt.Sprintf("%d slots of the host have the functions %s", len(found.Several), kindsOf(want.Functions))
		}
	}
	return found
}

// physical leaves out virtual functions: as many as there shall be are made, and a
// kind tells none of them from another.
func physical(list []*facts.Function) []*facts.Function {
	return slices.DeleteFunc(slices.Clone(list), func(f *facts.Function) bool { return f.Parent != nil })
}

// hasAll tells whether a function is the first of its slot, and the slot has these
// functions and no other.
func hasAll(ix *facts.Index, first *facts.Function, want []spec.Kind) bool {
	there := ix.Physical(first.Address)
	return len(there) > 0 && there[0] == first && slices.EqualFunc(there, want, func(f *facts.Function, k spec.Kind) bool {
		return f.KindKnown() && f.Gap("parent") == nil && f.Vendor == k.Vendor && f.Device == k.Device
	})
}

// otherwiseMade says what slots have instead of the functions that are stated.
func (c *Case) otherwiseMade(list []*facts.Function, want []spec.Kind) string {
	var words []string
	for _, f := range list {
		var have []spec.Kind
		for _, sibling := range c.Facts.Physical(f.Address) {
			have = append(have, spec.Kind{Vendor: sibling.Vendor, Device: sibling.Device})
		}
		words = append(words, fmt.Sprintf("%s is there, with the functions %s in its slot", f.Title(), kindsOf(have)))
	}
	return strings.Join(words, "; ") + "; the layout states " + kindsOf(want)
}

func kindsOf(list []spec.Kind) string {
	var words []string
	for _, k := range list {
		words = append(words, k.String())
	}
	return strings.Join(words, ", ")
}
