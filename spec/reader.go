package spec

import (
	"slices"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty/function"
)

// reader turns files into a layout. It lives for one call of LoadSources.
type reader struct {
	calls  map[string]function.Function // what expressions may call
	given  Given
	files  map[string][]byte // for excerpts
	diags  Diagnostics
	unkept int               // diagnostics beyond maxDiagnostics
	failed bool              // there was an error, kept or not
	names  map[string]*names // by kind: what may be referred to
	values map[string]*value
	ranges map[Place]hcl.Range // of every Place handed out, for rules
	stated map[spot]hcl.Range  // of every attribute's value, for rules
	broken map[spot]bool       // attributes that are stated, but wrongly
}

// spot is one attribute of the block at a place.
type spot struct {
	block     Place
	attribute string
}

func newReader(given Given) *reader {
	return &reader{
		given:  given,
		calls:  bounded(functions),
		files:  map[string][]byte{},
		names:  map[string]*names{},
		values: map[string]*value{},
		ranges: map[Place]hcl.Range{},
		stated: map[spot]hcl.Range{},
		broken: map[spot]bool{},
	}
}

// read parses all files, learns every name, then reads block by block and
// judges the whole. What only follows from another mistake is not reported:
// after a broken syntax the names cannot be trusted, so that ends it.
func (r *reader) read(files []File) *Layout {
	bodies := r.parse(files)
	if r.failed {
		return nil
	}
	if len(files) == 0 {
		r.refuseWhole("layout has no files", "There is no file that ends with "+Extension+".",
			"write a first one: lendkeep adopt -o LAYOUT; or start from one of those under examples/")
		return nil
	}
	if !slices.ContainsFunc(bodies, func(b *hclsyntax.Body) bool { return len(b.Blocks)+len(b.Attributes) > 0 }) {
		r.refuseEmpty(files)
		return nil
	}
	blocks := r.topBlocks(bodies)
	r.learnNames(blocks)
	r.learnValues(blocks)
	layout := r.decode(blocks)
	r.judge(layout)
	return layout
}

func (r *reader) parse(files []File) []*hclsyntax.Body {
	var bodies []*hclsyntax.Body
	for _, f := range files {
		r.files[f.Name] = f.Bytes
		if d, foreign := foreignFile(f); foreign {
			r.keep(d)
			continue
		}
		if m := excess(f.Name, f.Bytes); m != nil {
			r.refuse(m.rng, m.summary, m.detail, m.hint)
			continue
		}
		file, ds := hclsyntax.ParseConfig(f.Bytes, f.Name, hcl.InitialPos)
		if ds.HasErrors() {
			r.misread(f, ds)
			continue
		}
		bodies = append(bodies, file.Body.(*hclsyntax.Body))
	}
	return bodies
}

// refuseEmpty reports a layout whose files state nothing at all.
func (r *reader) refuseEmpty(files []File) {
	bytes := 0
	var names []string
	for _, f := range files {
		bytes, names = bytes+len(f.Bytes), append(names, f.Name)
	}
	summary, detail := "layout is empty", "Nothing but comments stands in "+listed(names)+"."
	if bytes == 0 {
		detail = "No byte is in " + listed(names) + "."
	}
	r.refuseWhole(summary, detail, "add host \"NAME\" { } with the name that hostname prints; lendkeep help layout shows the rest")
}
