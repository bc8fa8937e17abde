package facts

import (
	"slices"
	"strings"
)

// storage tells whether drives hang on a function, or may (class 01 of the PCI Code
// and ID Assignment Specification).
func (f Function) storage() bool { return f.Class>>16 == 0x01 || f.Gap("class") != nil }

// MayReachDrivesOf gives the function whose drives a virtual one may reach as well,
// although none of them shows below it; nil: no other's. Controllers of one NVMe
// subsystem can have a namespace in common (NVM Express Base Specification 2.0, 2.4),
// as those of QEMU do, and only one that is live with the host shows which it has.
// With a running guest it is too late to ask.
func (ix *Index) MayReachDrivesOf(f *Function) *Address {
	live := f.NVMe != nil && f.NVMe.State == "live" && !slices.ContainsFunc(f.Gaps, func(g Gap) bool { return strings.HasPrefix(g.Fact, "nvme") })
	if f.Parent == nil || !f.storage() || live || ix.holders[f.Address] != nil {
		return nil
	}
	return f.Parent
}

// parent adds the uses of the drives of the function that has made a virtual one,
// where it may reach them.
func (w *usesWalk) parent(f *Function) {
	if at := w.ix.MayReachDrivesOf(f); at != nil {
		for _, drive := range w.ix.tops[*at] {
			w.block(drive, []string{f.Address.String(), at.String()})
		}
	}
}

// VirtualOf gives the virtual function of that number that a function has made, or nil.
func (ix *Index) VirtualOf(parent Address, number int) *Function {
	i := slices.IndexFunc(ix.virtuals[parent], func(f *Function) bool { return f.VirtualNumber != nil && *f.VirtualNumber == number })
	if i < 0 {
		return nil
	}
	return ix.virtuals[parent][i]
}

// MakesVirtual tells how many virtual functions a function has, and why that is not
// known. What leads to it as its parent counts too.
func (ix *Index) MakesVirtual(f *Function) (int, *Gap) {
	return max(f.Virtual, len(ix.virtuals[f.Address])), f.Gap("virtual_functions")
}
