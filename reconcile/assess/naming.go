package assess

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agext/levenshtein"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// StatedAs gives what a layout states to mean exactly this function of the host:
// one of the two. Both are nil where nothing that it can state tells the function
// from another, and for a virtual one, which is stated by its parent.
func StatedAs(ix *facts.Index, f *facts.Function) (*spec.NVMeIdentity, *spec.PCIIdentity) {
	only := func(list []*facts.Function, same func(*facts.Function) bool) bool {
		return !slices.ContainsFunc(list, func(other *facts.Function) bool { return other != f && same(other) })
	}
	if f.NVMe != nil && f.NVMe.Serial != "" && f.Parent == nil {
		alike := ix.BySerial(f.NVMe.Serial)
		switch {
		case len(alike) == 1:
			return &spec.NVMeIdentity{Serial: f.NVMe.Serial}, nil
		case f.NVMe.Model != "" && only(alike, func(other *facts.Function) bool { return other.NVMe.Model == f.NVMe.Model }):
			return &spec.NVMeIdentity{Serial: f.NVMe.Serial, Model: f.NVMe.Model}, nil
		}
	}
	if !f.KindKnown() || f.Parent != nil {
		return nil, nil
	}
	return nil, apart(&spec.PCIIdentity{Vendor: f.Vendor, Device: f.Device}, f, physical(ix.OfKind(f.Vendor, f.Device)))
}

// apart adds to an identity what tells a function from others like it: what the card
// says of itself before where it sits, and of several ports of one card the number.
// Nil where none of it does.
func apart(stated *spec.PCIIdentity, f *facts.Function, alike []*facts.Function) *spec.PCIIdentity {
	one := func(*facts.Function) bool { return true }
	number := func(other *facts.Function) bool { return other.Address.Function == f.Address.Function }
	serial := func(other *facts.Function) bool {
		return other.DeviceSerial == f.DeviceSerial || other.Gap("device_serial") != nil
	}
	maker := func(other *facts.Function) bool {
		return other.Subsystem() == f.Subsystem() || other.SubsystemGap() != nil
	}
	slot := func(other *facts.Function) bool { return other.Slot == f.Slot }
	for _, way := range []struct {
		says   bool // the function has it
		same   func(*facts.Function) bool
		number bool
		state  func()
	}{
		{true, one, false, func() {}},
		{f.DeviceSerial != "", serial, false, func() { stated.Serial = f.DeviceSerial }},
		{f.Subsystem() != "" && f.SubsystemGap() == nil, maker, false, func() { stated.Subsystem = f.Subsystem() }},
		{f.Slot != "", slot, false, func() { stated.Slot = f.Slot }},
		{f.DeviceSerial != "", serial, true, func() { stated.Serial = f.DeviceSerial }},
		{f.Slot != "", slot, true, func() { stated.Slot = f.Slot }},
		{true, one, true, func() {}},
	} {
		if !way.says || way.number && len(stated.Functions) > 0 || slices.ContainsFunc(alike, func(other *facts.Function) bool {
			return other != f && way.same(other) && (!way.number || number(other))
		}) {
			continue
		}
		if way.state(); way.number {
			of := int(f.Address.Function)
			stated.Function = &of
		}
		return stated
	}
	return nil
}

// StatedWhole gives what a layout states to mean all functions of the slot of which a
// function is the first; nil where they are not several, not all known, or nothing that
// it can state tells them from those of another slot.
func StatedWhole(ix *facts.Index, first *facts.Function) *spec.PCIIdentity {
	stated := &spec.PCIIdentity{Vendor: first.Vendor, Device: first.Device}
	for _, f := range ix.Physical(first.Address) {
		if !f.KindKnown() || f.Gap("parent") != nil {
			return nil
		}
		stated.Functions = append(stated.Functions, spec.Kind{Vendor: f.Vendor, Device: f.Device})
	}
	if len(stated.Functions) < 2 || !hasAll(ix, first, stated.Functions) {
		return nil
	}
	return apart(stated, first, slices.DeleteFunc(slices.Clone(ix.OfKind(first.Vendor, first.Device)), func(other *facts.Function) bool {
		return !hasAll(ix, other, stated.Functions)
	}))
}

// naming gives an identity in words; empty where there is none.
func (c *Case) naming(f *facts.Function) string {
	if f.Parent != nil && f.VirtualNumber != nil {
		of := "a controller of " + f.Parent.String()
		if name := c.meant[*f.Parent]; name != "" {
			of = "controller." + name
		}
		return fmt.Sprintf("virtual with of = %s and number = %d", of, *f.VirtualNumber)
	}
	switch nvme, pci := StatedAs(c.Facts, f); {
	case nvme != nil && nvme.Model != "":
		return fmt.Sprintf("nvme with serial = %q and model = %q", nvme.Serial, nvme.Model)
	case nvme != nil:
		return fmt.Sprintf("nvme with serial = %q", nvme.Serial)
	case pci != nil:
		return pciWords(pci)
	}
	return ""
}

// pciWords gives the identity of a function, or of all those of a slot, in words.
func pciWords(stated *spec.PCIIdentity) string {
	words := fmt.Sprintf("pci with vendor = %q, device = %q", stated.Vendor, stated.Device)
	if len(stated.Functions) > 0 {
		var kinds []string
		for _, k := range stated.Functions {
			kinds = append(kinds, k.String())
		}
		words = "pci with functions = [" + plain.Names(kinds) + "]"
	}
	if stated.Subsystem != "" {
		words += fmt.Sprintf(", subsystem = %q", stated.Subsystem)
	}
	if stated.Slot != "" {
		words += fmt.Sprintf(", slot = %q", stated.Slot)
	}
	if stated.Function != nil {
		words += fmt.Sprintf(", function = %d", *stated.Function)
	}
	if stated.Serial != "" {
		words += fmt.Sprintf(", device_serial = %q", stated.Serial)
	}
	return words
}

// namings advises for each function how to state it; those that cannot be
// stated are left out.
func (c *Case) namings(functions []*facts.Function) []string {
	var list []string
	for _, f := range functions {
		if words := c.naming(f); words != "" {
			list = append(list, "for "+f.Title()+" state "+words)
		}
	}
	return list
}

// namingsAs is namings of what a controller may be: of functions, or of whole slots by
// the first function of each.
func (c *Case) namingsAs(found Found, list []*facts.Function) []string {
	if !found.whole() {
		return c.namings(list)
	}
	var words []string
	for _, f := range list {
		if stated := StatedWhole(c.Facts, f); stated != nil {
			words = append(words, "for "+f.Title()+" state "+pciWords(stated))
		}
	}
	return words
}

func listed(functions []*facts.Function) string {
	var list []string
	for _, f := range functions {
		list = append(list, f.Title())
	}
	return strings.Join(list, " or ")
}

// near tells whether a name was likely meant for another: they differ in white
// space, in letter case, in one letter, or in two that changed places. Names of
// one or two letters are all that near.
func near(a, b string) bool {
	a, b = folded(a), folded(b)
	switch {
	case a == b:
		return true
	case min(len(a), len(b)) < 3 || max(len(a), len(b)) > 128:
		return false
	case levenshtein.Distance(a, b, nil) == 1:
		return true
	default:
		return swapped(a, b)
	}
}

func swapped(a, b string) bool {
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	return len(a) == len(b) && i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
}

// series tells whether two names differ in their numbers alone: both are meant.
func series(a, b string) bool {
	letters := func(name string) string { return strings.Map(unlessDigit, name) }
	return letters(a) == letters(b) && (letters(a) != a || letters(b) != b)
}

func unlessDigit(r rune) rune {
	if '0' <= r && r <= '9' {
		return -1
	}
	return r
}

// folded leaves out what readers overlook.
func folded(name string) string {
	return strings.ToLower(strings.Join(strings.Fields(name), ""))
}
