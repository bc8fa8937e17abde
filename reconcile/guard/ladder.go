package guard

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Rung is one of the ways to bring back a controller that does not come back
// by itself.
type Rung string

// The rungs, mildest first.
const (
	Probe  Rung = "probe"  // the kernel looks for a driver again
	Rebind Rung = "rebind" // its driver lets go and takes it again
	Reset  Rung = "reset"  // it is reset by a method of its own: function-level reset (FLR), power, its bus
	Rescan Rung = "rescan" // it is removed, and its bus is looked at again
)

var rungs = []Rung{Probe, Rebind, Reset, Rescan}

// PowerCycle is what is left when no rung has helped. A restart of the host
// need not take a card's power away.
const PowerCycle = "it needs a power cycle: shut the host down, take its power off for some seconds, then switch it on"

// Attempt is what the ladder says: a rung and the function to do it to, or the
// end with its reason.
type Attempt struct {
	Rung Rung // empty: nothing more is tried
	At   facts.Address
	End  string
}

// NextRung chooses the next rung for a controller that has not come back, higher
// than all that were tried; of a whole slot each function that has no driver gets
// one before any gets the next. It ends rather than touch what may be another
// device, what somebody is taking, or what the host uses; and where nothing is
// left.
func NextRung(ix *facts.Index, r facts.Identity, tried []Attempt) Attempt {
	list, why := unreturned(ix, r)
	if why != "" {
		return Attempt{End: why}
	}
	last := 0
	for _, t := range tried {
		last = max(last, slices.Index(rungs, t.Rung))
	}
	for _, rung := range rungs[last:] {
		for _, f := range list {
			next := Attempt{Rung: rung, At: r.Address}
			if f != nil {
				next.At = f.Address
			}
			again := slices.ContainsFunc(tried, func(t Attempt) bool { return t.Rung == rung && (t.At == next.At || !r.Whole()) })
			if !again && applies(ix, f, rung) {
				return next
			}
		}
	}
	return Attempt{End: "nothing else is left to try; " + PowerCycle}
}

// unreturned gives the function that a controller is now, nil where none is to
// be seen, and of what has no serial the functions without a driver; why says what
// forbids to touch them.
func unreturned(ix *facts.Index, r facts.Identity) (list []*facts.Function, why string) {
	if err := unseen(ix); err != nil {
		return nil, err.Error()
	}
	if list := ix.Claiming(r); r.Serial != "" && len(list) > 1 {
		return nil, fmt.Sprintf("%s and %s both have its serial", list[0].Address, list[1].Address)
	}
	where, f, _ := ix.Where(r)
	switch {
	case f == nil && r.IsVirtual(): // only its parent makes it
		return nil, ix.NotVirtual(r)
	case f == nil && len(ix.Parts(r)) == 0:
		return []*facts.Function{nil}, ""
	case f == nil && r.Whole(): // nothing is done to the functions that are there
		return nil, ix.Unlike(r)
	case f == nil:
		return nil, fmt.Sprintf("at %s is %s now", r.Address, ix.Function(r.Address).Title())
	case r.Whole() && where != facts.Home:
		return nil, "it is on VFIO, or about to be"
	}
	list = []*facts.Function{f}
	if r.Serial == "" { // what else such a one lacks its driver has to bring, and taking that away may hang
		list = slices.DeleteFunc(ix.Parts(r.At(f.Address)), func(f *facts.Function) bool { return f.Driver != "" && f.Class != facts.ClassNVMe })
	}
	for _, f := range list {
		if why := untouchable(ix, f, r); why != "" {
			return nil, why
		}
	}
	if len(list) == 0 {
		return nil, "each function of it has its driver"
	}
	return list, ""
}

// untouchable says what forbids to touch a function that a controller is.
func untouchable(ix *facts.Index, f *facts.Function, r facts.Identity) string {
	switch gap := indispensable(f); {
	case gap != nil:
		return fmt.Sprintf("its %s is not known: %s: %s", gap.Fact, gap.Path, gap.Reason)
	case r.Serial != "" && f.NVMe != nil && f.NVMe.Serial != "" && f.NVMe.Serial != r.Serial:
		return fmt.Sprintf("at %s is %s now", f.Address, f.Title())
	case f.OnVFIO() || f.ForVFIO():
		// libvirt sets the override before it takes a function away.
		return "it is on VFIO, or about to be"
	}
	if made, gap := ix.MakesVirtual(f); made > 0 || gap != nil {
		return "it has virtual functions, or may have: all of them would go offline, those of running guests too"
	}
	if uses := ix.LiveUses(f.Address); len(uses) > 0 {
		return "the host uses it: " + uses[0].String()
	}
	return ""
}

// indispensable gives the gap in what must be known of a function before anything is done to it.
func indispensable(f *facts.Function) *facts.Gap {
	for _, fact := range []string{"driver", "driver_override", "vendor", "device", "nvme"} {
		if gap := f.Gap(fact); gap != nil {
			return gap
		}
	}
	return nil
}

// applies tells whether a rung makes sense for a function; nil is one that is
// not to be seen.
func applies(ix *facts.Index, f *facts.Function, rung Rung) bool {
	if f == nil {
		return rung == Rescan
	}
	switch rung {
	case Probe:
		return f.Driver == ""
	case Rebind:
		return f.Driver != ""
	case Reset:
		return resettable(ix, f)
	case Rescan: // a look at the bus finds no virtual one: only its parent makes it
		return f.Parent == nil && f.Gap("parent") == nil
	default:
		return true
	}
}

// resettable tells whether a reset is possible and hits nothing else: that of
// the bus resets all that is below the same bridge (Linux drivers/pci/pci.c,
// pci_parent_bus_reset, which itself refuses then).
func resettable(ix *facts.Index, f *facts.Function) bool {
	if len(f.ResetMethods) == 0 || f.ResetsAlone() {
		return len(f.ResetMethods) > 0
	}
	return f.Upstream != nil && len(ix.ResetWith(f)) == 0
}
