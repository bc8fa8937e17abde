package spec

import "github.com/hashicorp/hcl/v2/hclsyntax"

var (
	shimForm = &form{
		kind:  kindShim,
		named: wrongName,
		needs: []string{"donor", "as"},
	}
	shiftForm = &form{
		kind:  kindShift,
		named: wrongName,
		needs: []string{"guests"},
	}
)

func (r *reader) decodeShim(source *hclsyntax.Block) Shim {
	b := r.open(source, shimForm, "")
	return Shim{
		Name:  b.name,
		Donor: b.checked("donor", wrongFile),
		As:    b.choice("as", "rom", "disk"),
		At:    b.at,
	}
}

func (r *reader) decodeShift(source *hclsyntax.Block) Shift {
	b := r.open(source, shiftForm, "")
	return Shift{
		Name:   b.name,
		Guests: b.refs("guests", kindGuest),
		At:     b.at,
	}
}
