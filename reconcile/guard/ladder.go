package guard

import (
	"fmt"
	"slices"
	"strings"

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
// than all that were tried. It ends rather than touch what may be another
// device, what somebody is taking, or what the host uses; and where nothing is
// left.
func NextRung(ix *facts.Index, r facts.Identity, tried []Rung) Attempt {
	f, why := unreturned(ix, r)
	if why != "" {
		return Attempt{End: why}
	}
	at, last := r.Address, -1
	if f != nil {
		at = f.Address
	}
	for _, t := range tried {
		last = max(last, slices.Index(rungs, t))
	}
	for _, rung := range rungs[last+1:] {
		if applies(ix, f, rung) {
			return Attempt{Rung: rung, At: at}
		}
	}
	return Attempt{End: "nothing else is left to try; " + PowerCycle}
}

// unreturned gives the function that a controller is now, nil where none is to
// be seen; why says what forbids to touch it.
func unreturned(ix *facts.Index, r facts.Identity) (f *facts.Function, why string) {
	if err := unseen(ix); err != nil {
		return nil, err.Error()
	}
	if list := ix.Claiming(r); r.Serial != "" && len(list) > 1 {
		return nil, fmt.Sprintf("%s and %s both have its serial", list[0].Address, list[1].Address)
	}
	_, f, _ = ix.Where(r)
	switch {
	case f == nil && r.IsVirtual(): // only its parent makes it
		return nil, ix.NotVirtual(r)
	case f == nil && len(ix.Parts(r)) == 0:
		return nil, ""
	case f == nil && r.Whole(): // nothing is done to the functions that are there
		return nil, ix.Unlike(r)
	case f == nil:
		return nil, fmt.Sprintf("at %s is %s now", r.Address, ix.Function(r.Address).Title())
	case r.Whole():
		return nil, "it is on VFIO, or about to be"
	}
	switch gap := indispensable(f); {
	case gap != nil:
		return nil, fmt.Sprintf("its %s is not known: %s: %s", gap.Fact, gap.Path, gap.Reason)
	case r.Serial != "" && f.NVMe != nil && f.NVMe.Serial != "" && f.NVMe.Serial != r.Serial:
		return nil, fmt.Sprintf("at %s is %s now", f.Address, f.Title())
	case f.OnVFIO() || strings.Contains(f.DriverOverride, "vfio"):
		// libvirt sets the override before it takes a function away.
		return nil, "it is on VFIO, or about to be"
	}
	if made, gap := ix.MakesVirtual(f); made > 0 || gap != nil {
		return nil, "it has virtual functions, or may have: all of them would go offline, those of running guests too"
	}
	if uses := ix.LiveUses(f.Address); len(uses) > 0 {
		return nil, "the host uses it: " + uses[0].String()
	}
	return f, ""
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
