package facts

import (
	"fmt"
	"strings"
)

// Claims lists what a running guest of that definition has of the host: its
// storage, its mediated devices, its PCI functions and their IOMMU groups, of
// which one guest has the whole (Linux Documentation/driver-api/vfio.rst).
func (ix *Index) Claims(d *Definition) []Piece {
	list := ix.Storage(d)
	for _, at := range d.Functions() {
		f := ix.functions[at]
		if f == nil {
			continue
		}
		list = append(list, alone(f.Title(), SameFunction(at)))
		if f.Group != nil {
			list = append(list, alone("the IOMMU group of "+f.Title(), fmt.Sprintf("group %d", *f.Group)))
		}
	}
	for _, r := range d.Reaches {
		if r.Kind == ReachMdev && r.Name != "" {
			list = append(list, alone("mediated device "+r.Name, "mdev "+strings.ToLower(r.Name)))
		}
	}
	return list
}

// KindFunction is the kind of a piece that is a PCI function or its group.
const KindFunction = "function"

// alone is something that one guest has for itself.
func alone(named, same string) Piece {
	return Piece{Kind: KindFunction, Named: named, Writes: true, Same: same, On: []string{same}}
}

// SameFunction is Same of a PCI function.
func SameFunction(at Address) string { return "function " + at.String() }

// Clashes tells whether two guests cannot have both at once, where one is the
// other or lies on it: one of them writes, and not both say that this is meant.
func (p Piece) Clashes(other Piece) bool {
	return (p.Writes || other.Writes) && !(p.Shareable && other.Shareable)
}

// Clash finds what two guests cannot have at once.
func Clash(a, b []Piece) (Piece, Piece, bool) {
	if x, y, bad := clash(a, b); bad {
		return x, y, true
	}
	y, x, bad := clash(b, a)
	return x, y, bad
}

// clash looks for what one has below what the other has.
func clash(a, b []Piece) (Piece, Piece, bool) {
	owned := map[string][]int{}
	for i, p := range b {
		owned[p.Same] = append(owned[p.Same], i)
	}
	for _, p := range a {
		for _, same := range p.On {
			for _, i := range owned[same] {
				if p.Clashes(b[i]) {
					return p, b[i], true
				}
			}
		}
	}
	return Piece{}, Piece{}, false
}
