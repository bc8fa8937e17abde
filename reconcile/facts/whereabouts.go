package facts

import "slices"

// Whereabouts is where a controller is at the moment.
type Whereabouts string

// The places a controller can be.
const (
	Home  Whereabouts = "home"  // with the host, working
	Lent  Whereabouts = "lent"  // with a running guest
	Aside Whereabouts = "aside" // on a VFIO driver, with no guest
	Gone  Whereabouts = "gone"  // not to be found, or not working
)

// Where tells where the recorded controller is, and of what function and guest
// that was read. An NVMe controller with the host proves itself by its serial.
// One on VFIO can say nothing: it is known by the record alone, so vendor and
// device number at the recorded address must at least agree, and no other
// function may claim the serial. The functions of a whole slot are where the record
// has them, all of them and no other. A virtual function is told by its number,
// wherever its parent is.
func (ix *Index) Where(r Identity) (Whereabouts, *Function, *Guest) {
	if r.Whole() {
		return ix.whereWhole(r)
	}
	if r.IsVirtual() {
		return ix.whereVirtual(r)
	}
	if r.Serial != "" {
		switch list := ix.Claiming(r); {
		case len(list) == 1 && list[0].NVMe.State == "live":
			return Home, list[0], nil
		case len(list) >= 1:
			return Gone, list[0], nil
		}
	}
	f := ix.functions[r.Address]
	if f == nil || f.Vendor != r.Vendor || f.Device != r.Device || f.Parent != nil {
		return Gone, nil, nil
	}
	if r.Serial != "" && !f.OnVFIO() {
		return Gone, f, nil
	}
	where, holder := ix.WhereIs(f)
	return where, f, holder
}

// WhereIs tells where a function is that needs no proof of what it is, and which guest
// has it.
func (ix *Index) WhereIs(f *Function) (Whereabouts, *Guest) {
	switch holder := ix.Holder(f.Address); {
	case !f.OnVFIO():
		return Home, nil
	case holder != nil:
		return Lent, holder
	default:
		return Aside, nil
	}
}

// LiveUses gives the uses of a function's drives that are going on now.
func (ix *Index) LiveUses(at Address) []Use {
	return slices.DeleteFunc(ix.Uses(at), func(u Use) bool { return !u.Live })
}
