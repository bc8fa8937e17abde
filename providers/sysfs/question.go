package sysfs

import (
	"errors"
	"slices"
	"strconv"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// errNotAsked is why nothing was read of what a question is not about.
var errNotAsked = errors.New("it was not asked for")

// chosen gives the functions that matter and were not read yet: those that are
// meant, whatever is in a group with one, what has made a virtual one, the virtual ones
// that a parent has of a number that is meant, those of the kind of one that says no
// serial, and every other once one that is meant cannot be asked for its serial, since
// any other of its kind could be it.
func (s *survey) chosen() []facts.Address {
	meant, alike, groups, all := s.meant(), s.alike(), map[int]bool{}, s.about == nil
	kin := s.kin()
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		if !meant(f) {
			continue
		}
		if f.Group != nil {
			groups[*f.Group] = true
		}
		all = all || f.OnVFIO() && s.bySerial(f.Address)
	}
	var list []facts.Address
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		if matters := all || meant(f) || kin[f.Address] || f.Group != nil && groups[*f.Group] || alike(f.Address); matters && !s.functions[f.Address].asked {
			list = append(list, f.Address)
		}
	}
	return list
}

// meant tells a function that a question means, by its place or by its serial. One
// with the serial of another that is meant could be that one.
func (s *survey) meant() func(*facts.Function) bool {
	places, serials := map[facts.Address]bool{}, map[string]bool{}
	if s.about != nil {
		for _, at := range s.about.Functions {
			places[at] = true
		}
		for _, r := range s.about.Controllers {
			places[r.Address], serials[r.Serial] = true, true
			if r.IsVirtual() {
				places[r.Virtual.Address], serials[r.Virtual.Serial] = true, true
			}
			if r.Whole() { // those too that are in its slot and not among them
				for _, mate := range r.Address.Slotmates() {
					places[mate] = true
				}
			}
		}
	}
	for at := range places {
		if f := s.function(at); f != nil && f.NVMe != nil {
			serials[f.NVMe.Serial] = true
		}
	}
	return func(f *facts.Function) bool {
		return places[f.Address] || f.NVMe != nil && f.NVMe.Serial != "" && serials[f.NVMe.Serial]
	}
}

// alike tells functions of the kind of a controller that says no serial, which is known
// by that kind at its place; those too of which the kind cannot be read.
func (s *survey) alike() func(facts.Address) bool {
	kinds := map[facts.Make]bool{}
	if s.about != nil {
		for _, r := range s.about.Controllers {
			if r.IsVirtual() {
				r = r.Virtual.Parent()
			}
			if r.Serial == "" {
				kinds[facts.Make{Vendor: r.Vendor, Device: r.Device}] = true
			}
		}
	}
	return func(at facts.Address) bool {
		found := s.functions[at]
		if len(kinds) == 0 || found.asked || found.unlike {
			return false
		}
		var gaps []facts.Gap
		p := place{&s.reader, found.dir, &gaps}
		kind := facts.Make{Vendor: pci.ID(p.number("vendor", "vendor", 0, 16)), Device: pci.ID(p.number("device", "device", 0, 16))}
		found.unlike = !kinds[kind] && len(gaps) == 0
		return !found.unlike
	}
}

// bySerial tells whether a question means a controller by its serial that was last
// seen at a place.
func (s *survey) bySerial(at facts.Address) bool {
	return s.about != nil && slices.ContainsFunc(s.about.Controllers, func(r facts.Identity) bool { return r.Address == at && r.Serial != "" })
}

// passOver notes of every function that does not matter that nothing is known of it.
func (s *survey) passOver() {
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		if found := s.functions[f.Address]; !found.asked {
			p := place{&s.reader, found.dir, &f.Gaps}
			p.gap(facts.GapAll, "", errNotAsked)
		}
	}
}

// groupsThatMatter tells the groups whose own lists matter: those of functions that
// do, and all where one of these is in none by its own word.
func (s *survey) groupsThatMatter() func(number string) bool {
	groups, all := map[string]bool{}, s.about == nil
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		switch {
		case !s.functions[f.Address].asked:
		case f.Group == nil:
			all = true
		default:
			groups[strconv.Itoa(*f.Group)] = true
		}
	}
	return func(number string) bool { return all || groups[number] }
}
