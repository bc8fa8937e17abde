package spec

import (
	"fmt"

	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
)

// list reads a list. If it is written out each element keeps its own place and
// is computed alone, so that one wrong element does not hide the others.
func (b *block) list(name, wanted string) []attribute {
	attr := b.Body.Attributes[name]
	if attr == nil {
		return nil
	}
	if tuple, ok := attr.Expr.(*hclsyntax.TupleConsExpr); ok {
		return b.elements(name, tuple)
	}
	a, ok := b.get(name)
	if !ok {
		return nil
	}
	if t := a.Type(); !t.IsTupleType() && !t.IsListType() && !t.IsSetType() {
		a.refuseType(wanted, "write it in brackets: [ … ]")
		return nil
	}
	var all []attribute
	for it := a.ElementIterator(); it.Next(); {
		_, v := it.Element()
		all = append(all, attribute{Value: v, name: name, rng: a.rng, owner: b})
	}
	return all
}

func (b *block) elements(name string, tuple *hclsyntax.TupleConsExpr) []attribute {
	among := reading{among: hclsyntax.Variables(tuple)}
	var all []attribute
	for _, expr := range tuple.Exprs {
		v, ok := b.r.evaluate(expr, among)
		a := attribute{Value: v, name: name, rng: expr.Range(), owner: b}
		if !ok {
			a.spoil()
			continue
		}
		all = append(all, a)
	}
	return all
}

// texts reads a list of texts, each of which wrong finds nothing wrong with.
// An element given twice is a mistake.
func (b *block) texts(name string, wrong func(string) string) []string {
	var all []string
	seen := map[string]bool{}
	for _, a := range b.list(name, "a list of texts") {
		if a.IsNull() || a.Type() != cty.String {
			a.refuseType("a list of texts", "put each element in quotes")
			continue
		}
		text := a.AsString()
		switch why := wrong(text); {
		case why != "":
			a.refuse(fmt.Sprintf("%s: %q is not usable", name, text), sentence(why), "")
		case seen[text]:
			a.refuse(fmt.Sprintf("%s names %q twice", name, text), "", "remove one of them")
		default:
			seen[text] = true
			all = append(all, text)
		}
	}
	return all
}

// maxArguments bounds a command: nobody needs more to be told of something.
const maxArguments = 32

// command reads a program and its arguments. They are given to the program as
// they are, without a shell, so an argument may be empty or there twice.
func (b *block) command(name string) []string {
	list := b.list(name, "a list of texts")
	if stated := b.Body.Attributes[name]; stated != nil && len(list) == 0 {
		if !b.r.broken[spot{b.at, name}] {
			attribute{name: name, rng: stated.Expr.Range(), owner: b}.refuse(name+" is empty", "", "leave the attribute out if nobody is to be told")
		}
		return nil
	}
	var all []string
	for i, a := range list {
		if a.IsNull() || a.Type() != cty.String {
			a.refuseType("a list of texts", "put the program and each argument in quotes")
			continue
		}
		text, why := a.AsString(), ""
		switch {
		case i == 0:
			why = wrongPath(text)
		case i >= maxArguments:
			why = fmt.Sprintf("a command may have %d elements", maxArguments)
		default:
			why = wrongLine(text, maxPath)
		}
		if why != "" {
			a.refuse(fmt.Sprintf("%s: %q is not usable", name, text), sentence(why), "")
			continue
		}
		all = append(all, text)
	}
	return all
}

// refs reads a list of references to things of one kind.
func (b *block) refs(name, kind string) []Ref {
	var all []Ref
	seen := map[string]bool{}
	for _, a := range b.list(name, fmt.Sprintf("a list of %ss", kind)) {
		ref, ok := a.ref(kind)
		if !ok {
			continue
		}
		if seen[ref.Name] {
			a.refuse(fmt.Sprintf("%s names %s twice", name, reference(kind, ref.Name)), "", "remove one of them")
			continue
		}
		seen[ref.Name] = true
		all = append(all, ref)
	}
	return all
}

// ref reads one reference to a thing of that kind, or nil.
func (b *block) ref(name, kind string) *Ref {
	a, ok := b.get(name)
	if !ok {
		return nil
	}
	ref, ok := a.ref(kind)
	if !ok {
		return nil
	}
	return &ref
}

func (a attribute) ref(kind string) (Ref, bool) {
	r := a.owner.r
	if !a.IsNull() && a.Type() == referenceType {
		if to := a.EncapsulatedValue().(*pointer); to.kind == kind {
			return Ref{Name: to.name, At: r.place(a.rng)}, true
		}
	}
	hint := fmt.Sprintf("write %s.NAME", kind)
	if known := r.names[kind].list; len(known) > 0 {
		near := known[0]
		if !a.IsNull() && a.Type() == cty.String {
			if n := r.nearest(a.AsString(), known); n != "" {
				near = n
			}
		}
		hint = fmt.Sprintf("write a reference, as %s", reference(kind, near))
	}
	a.refuse(fmt.Sprintf("%s takes a %s", a.name, kind), fmt.Sprintf("This is %s.", describe(a.Value)), hint)
	return Ref{}, false
}
