package spec

import "github.com/hashicorp/hcl/v2/hclsyntax"

var virtualForm = &form{
	kind:  "virtual",
	needs: []string{"of", "number"},
}

// MostVirtual is how many virtual functions one function has at most: TotalVFs is a
// register of 16 bits (PCI Express Base Specification, 9.3.3.5).
const MostVirtual = 1<<16 - 1

func (r *reader) decodeVirtual(source *hclsyntax.Block, inside string) *VirtualIdentity {
	b := r.open(source, virtualForm, inside)
	v := &VirtualIdentity{At: b.at}
	if of := b.ref("of", kindController); of != nil {
		v.Of = *of
	}
	if number := b.number("number", 0, MostVirtual-1); number != nil {
		v.Number = *number
	}
	return v
}
