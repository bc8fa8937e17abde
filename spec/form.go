package spec

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// form says what a kind of block may hold. Everything else in such a block is
// a mistake and is reported with what comes nearest.
type form struct {
	kind   string
	named  func(name string) string // what is wrong with a name, or ""; nil: no name
	needs  []string                 // attributes that must be there
	allows []string                 // attributes that may be there
	once   []string                 // blocks that may be there once
	many   []string                 // blocks that have a name and may be there more than once
}

// block is one block, checked against its form and ready to be read.
type block struct {
	*hclsyntax.Block
	r     *reader
	form  *form
	name  string // "" for kinds without
	title string // for messages: disk "games" of guest "grading"
	at    Place
}

// open checks a block against its form. It never fails: what is wrong is
// reported, and what is right can still be read.
func (r *reader) open(b *hclsyntax.Block, f *form, inside string) block {
	opened := block{Block: b, r: r, form: f, at: r.place(b.DefRange())}
	opened.checkName()
	opened.title = b.Type
	if opened.name != "" {
		opened.title = fmt.Sprintf("%s %q", b.Type, opened.name)
	}
	if inside != "" {
		opened.title += " of " + inside
	}
	opened.checkAttributes()
	opened.checkBlocks()
	return opened
}

func (b *block) checkName() {
	f := b.form
	labels, ranges := b.Labels, b.LabelRanges
	switch {
	case f.named == nil && len(labels) > 0:
		b.r.refuse(ranges[0], fmt.Sprintf("%s has no name", f.kind), "", fmt.Sprintf("write %s { … }", f.kind))
	case f.named == nil:
	case len(labels) == 0:
		b.r.refuse(b.TypeRange, fmt.Sprintf("%s needs a name", f.kind), "", fmt.Sprintf("write %s \"NAME\" { … }", f.kind))
	case len(labels) > 1:
		b.r.refuse(ranges[1], fmt.Sprintf("%s has one name only", f.kind), "", fmt.Sprintf("write %s %q { … }", f.kind, labels[0]))
	default:
		b.name = labels[0]
		if wrong := f.named(b.name); wrong != "" {
			b.r.refuse(ranges[0], fmt.Sprintf("%s cannot be named %q", f.kind, b.name), sentence(wrong), "")
		}
	}
}

func (b *block) checkAttributes() {
	f := b.form
	attributes := b.Body.Attributes
	known := slices.Concat(f.needs, f.allows)
	for _, attr := range inOrder(attributes) {
		if slices.Contains(known, attr.Name) {
			b.r.stated[spot{b.at, attr.Name}] = attr.Expr.Range()
			continue
		}
		b.refuseAttribute(attr, known)
	}
	for _, name := range f.needs {
		if attributes[name] == nil && !b.misspelt(name, known) {
			b.r.refuse(b.DefRange(), fmt.Sprintf("%s needs %s", f.kind, name),
				fmt.Sprintf("The %s does not state it.", b.title), "")
		}
	}
}

// misspelt tells whether an unknown attribute was most likely meant to be the
// missing one, which has then been reported once already.
func (b *block) misspelt(missing string, known []string) bool {
	for name := range b.Body.Attributes {
		if !slices.Contains(known, name) && b.r.nearest(name, known) == missing {
			return true
		}
	}
	return false
}

func (b *block) refuseAttribute(attr *hclsyntax.Attribute, known []string) {
	f := b.form
	hint := ""
	switch near := b.r.nearest(attr.Name, unset(known, b.Body.Attributes)); {
	case slices.Contains(f.once, attr.Name):
		hint = fmt.Sprintf("%s is a block: write %s { … } without =", attr.Name, attr.Name)
	case slices.Contains(f.many, attr.Name):
		hint = fmt.Sprintf("%s is a block: write %s \"NAME\" { … } without =", attr.Name, attr.Name)
	case near != "":
		hint = fmt.Sprintf("did you mean %s?", near)
	}
	b.r.refuse(attr.NameRange, fmt.Sprintf("%s has no attribute %s", f.kind, attr.Name), f.content(), hint)
}

func (b *block) checkBlocks() {
	f := b.form
	seen := map[string]hcl.Range{}
	for _, inner := range b.Body.Blocks {
		key, what := inner.Type, inner.Type
		switch {
		case slices.Contains(f.once, inner.Type):
		case slices.Contains(f.many, inner.Type):
			if len(inner.Labels) != 1 {
				continue // reported when it is opened
			}
			key += "\x00" + inner.Labels[0]
			what = fmt.Sprintf("%s %q", inner.Type, inner.Labels[0])
		default:
			b.r.refuseBlock(inner, f)
			continue
		}
		if first, taken := seen[key]; taken {
			b.r.refuse(inner.DefRange(), fmt.Sprintf("second %s in one %s", what, f.kind),
				fmt.Sprintf("The first one is at %s.", placeOf(first)), "merge the two blocks, or remove one")
			continue
		}
		seen[key] = inner.DefRange()
	}
}

func (r *reader) refuseBlock(inner *hclsyntax.Block, f *form) {
	known := slices.Concat(f.needs, f.allows)
	hint := ""
	switch near := r.nearest(inner.Type, slices.Concat(f.once, f.many)); {
	case slices.Contains(known, inner.Type):
		hint = fmt.Sprintf("%s is an attribute: write %s = …", inner.Type, inner.Type)
	case near != "":
		hint = fmt.Sprintf("did you mean %s?", near)
	}
	r.refuse(inner.TypeRange, fmt.Sprintf("%s holds no block %s", f.kind, inner.Type), f.content(), hint)
}

// content says in a sentence what may stand in a block of this form.
func (f *form) content() string {
	text := ""
	if all := slices.Concat(f.needs, f.allows); len(all) > 0 {
		text = fmt.Sprintf("A %s has the attributes %s.", f.kind, listed(all))
	}
	if all := slices.Concat(f.once, f.many); len(all) > 0 {
		if text != "" {
			text += "\n"
		}
		text += fmt.Sprintf("A %s holds the blocks %s.", f.kind, listed(all))
	}
	return text
}

// one gives the first inner block of a kind, or nil.
func (b *block) one(kind string) *hclsyntax.Block {
	for _, inner := range b.Body.Blocks {
		if inner.Type == kind {
			return inner
		}
	}
	return nil
}

// each gives the inner blocks of a kind in order.
func (b *block) each(kind string) []*hclsyntax.Block {
	var all []*hclsyntax.Block
	for _, inner := range b.Body.Blocks {
		if inner.Type == kind {
			all = append(all, inner)
		}
	}
	return all
}

// inOrder gives attributes as they stand in the file.
func inOrder(attributes hclsyntax.Attributes) []*hclsyntax.Attribute {
	return slices.SortedFunc(maps.Values(attributes), func(a, b *hclsyntax.Attribute) int {
		return cmp.Compare(a.NameRange.Start.Byte, b.NameRange.Start.Byte)
	})
}

// unset gives the attributes that a block does not state yet.
func unset(known []string, attributes hclsyntax.Attributes) []string {
	return slices.DeleteFunc(slices.Clone(known), func(name string) bool { return attributes[name] != nil })
}
