package spec

import (
	"fmt"
	"slices"

	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// layoutForm is what may stand outside of all blocks.
var layoutForm = &form{
	kind: "layout",
	many: []string{"host", "values", kindController, kindShim, kindGuest, kindShift},
}

// topBlocks gives the blocks of all files in order. What does not belong
// outside of blocks is reported.
func (r *reader) topBlocks(bodies []*hclsyntax.Body) []*hclsyntax.Block {
	var all []*hclsyntax.Block
	for _, body := range bodies {
		for _, attr := range inOrder(body.Attributes) {
			r.refuse(attr.NameRange, fmt.Sprintf("%s stands outside of all blocks", attr.Name), layoutForm.content(),
				fmt.Sprintf("a value to share goes into values { … }, read as value.%s", attr.Name))
		}
		for _, b := range body.Blocks {
			if !slices.Contains(layoutForm.many, b.Type) {
				r.refuseBlock(b, layoutForm)
				continue
			}
			all = append(all, b)
		}
	}
	return all
}

// decode reads every block into the layout.
func (r *reader) decode(blocks []*hclsyntax.Block) *Layout {
	layout := &Layout{}
	for _, b := range blocks {
		switch b.Type {
		case "host":
			r.decodeHost(b, layout)
		case kindController:
			layout.Controllers = keep(r, layout.Controllers, b, r.decodeController(b))
		case kindShim:
			layout.Shims = keep(r, layout.Shims, b, r.decodeShim(b))
		case kindGuest:
			layout.Guests = keep(r, layout.Guests, b, r.decodeGuest(b))
		case kindShift:
			layout.Shifts = keep(r, layout.Shifts, b, r.decodeShift(b))
		}
	}
	if layout.Host.At == (Place{}) {
		r.refuseWhole("layout has no host block", "A layout describes exactly one host.",
			"add host \"NAME\" { } with the name that hostname prints")
	}
	return layout
}

// keep appends what a block was decoded to, unless the block has no name or an
// earlier one has the same: the rules would only say that once more.
func keep[T any](r *reader, all []T, b *hclsyntax.Block, decoded T) []T {
	if len(b.Labels) != 1 || r.names[b.Type].at[b.Labels[0]] != b.LabelRanges[0] {
		return all
	}
	return append(all, decoded)
}
