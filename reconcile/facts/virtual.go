package facts

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/spec/pci"
)

// VirtualOf tells a virtual function (SR-IOV) by what has made it, its parent, and by
// its number there.
type VirtualOf struct {
	Controller string  `json:"controller"` // the parent's name in the layout
	Number     int     `json:"number"`     // of its link virtfnN, from 0
	Address    Address `json:"address"`    // of the parent, as the rest
	Vendor     pci.ID  `json:"vendor"`
	Device     pci.ID  `json:"device"`
	Serial     string  `json:"serial,omitempty"`
	Model      string  `json:"model,omitempty"`
}

// IsVirtual tells whether the controller is a virtual function.
func (r Identity) IsVirtual() bool { return r.Virtual != VirtualOf{} }

// Parent gives the record of what makes a virtual function.
func (v VirtualOf) Parent() Identity {
	return Identity{Controller: v.Controller, Address: v.Address, Vendor: v.Vendor, Device: v.Device, Serial: v.Serial, Model: v.Model}
}

// String gives virtual function 3 of card.
func (v VirtualOf) String() string {
	return fmt.Sprintf("virtual function %d of %s", v.Number, v.Controller)
}

// whereVirtual is Where of a virtual function. Of one whose parent is not with the
// host nothing can be said.
func (ix *Index) whereVirtual(r Identity) (Whereabouts, *Function, *Guest) {
	f, _ := ix.virtual(r)
	if f == nil {
		return Gone, nil, nil
	}
	where, holder := ix.WhereIs(f)
	return where, f, holder
}

// NotVirtual says in words why the virtual function of a record is not to be found;
// empty: it is.
func (ix *Index) NotVirtual(r Identity) string {
	_, why := ix.virtual(r)
	return why
}

// virtual gives the virtual function of a record, nil with why it is not to be found.
func (ix *Index) virtual(r Identity) (*Function, string) {
	where, parent, _ := ix.Where(r.Virtual.Parent())
	if where != Home {
		return nil, fmt.Sprintf("its parent %s is %s", r.Virtual.Controller, where)
	}
	f := ix.VirtualOf(parent.Address, r.Virtual.Number)
	switch {
	case f == nil:
		made, _ := ix.MakesVirtual(parent)
		return nil, fmt.Sprintf("its parent %s at %s has %d virtual functions, and none of them is known to have the number %d", r.Virtual.Controller, parent.Address, made, r.Virtual.Number)
	case !f.KindKnown() || f.Vendor != r.Vendor || f.Device != r.Device:
		return nil, fmt.Sprintf("%s is %s, where %s:%s belongs to it", f.Address, f.Make().Kind(), r.Vendor, r.Device)
	}
	return f, ""
}

// numberedVirtuals gives the virtual functions of which the number is known.
func numberedVirtuals(list []Function) []Function {
	return slices.DeleteFunc(slices.Clone(list), func(f Function) bool { return f.Parent == nil || f.VirtualNumber == nil })
}

// Storage tells whether drives hang on a function, or may (class 01 of the PCI Code
// and ID Assignment Specification).
func (f Function) Storage() bool { return f.Class>>16 == 0x01 || f.Gap("class") != nil }

// MayReachDrivesOf gives the function whose drives a virtual one may reach as well,
// although none of them shows below it; nil: no other's. Controllers of one NVMe
// subsystem can have a namespace in common (NVM Express Base Specification 2.0, 2.4),
// as those of QEMU do, and only one that is live with the host shows which it has.
// With a running guest it is too late to ask.
func (ix *Index) MayReachDrivesOf(f *Function) *Address {
	live := f.NVMe != nil && f.NVMe.State == "live" && !slices.ContainsFunc(f.Gaps, func(g Gap) bool { return strings.HasPrefix(g.Fact, "nvme") })
	if f.Parent == nil || !f.Storage() || live || ix.holders[f.Address] != nil {
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

// OwnLiveUses gives LiveUses without those of its parent's drives: who has those keeps
// them when the function leaves its driver, or goes, and no guest gets it.
func (ix *Index) OwnLiveUses(at Address) []Use {
	f := ix.functions[at]
	return slices.DeleteFunc(ix.LiveUses(at), func(u Use) bool {
		return f.Parent != nil && len(u.Chain) > 1 && u.Chain[1] == f.Parent.String()
	})
}

// SerialOf gives the serial of the NVMe subsystem that a function is of: a virtual one
// has its parent's, and says it only while it is online. Empty: it is of none, or that
// is not known.
func (ix *Index) SerialOf(f *Function) string {
	if f.NVMe != nil {
		return f.NVMe.Serial
	}
	if f.Parent != nil && ix.functions[*f.Parent] != nil && ix.functions[*f.Parent].NVMe != nil {
		return ix.functions[*f.Parent].NVMe.Serial
	}
	return ""
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
