package spec

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
)

// inspect gives the references in an expression, each of which is known and
// has at least two steps; false if anything in it is not known. The references
// among which the expression stands count as used for suggestions.
//
// There are no loops in the language; they are refused here, which also bounds
// what computing an expression can cost.
func (r *reader) inspect(expr hclsyntax.Expression, among []hcl.Traversal) (references []hcl.Traversal, ok bool) {
	ok = true
	hclsyntax.VisitAll(expr, func(node hclsyntax.Node) hcl.Diagnostics {
		switch n := node.(type) {
		case *hclsyntax.ForExpr:
			r.refuse(n.OpenRange, "there are no loops in a layout", "", "write the list out")
			ok = false
		case *hclsyntax.FunctionCallExpr:
			ok = r.knownFunction(n) && ok
		case *hclsyntax.ScopeTraversalExpr:
			references = append(references, n.Traversal)
		}
		return nil
	})
	if !ok {
		return nil, false // names bound by a loop would look unknown
	}
	if among == nil {
		among = references
	}
	for _, t := range references {
		ok = r.knownReference(t, among) && ok
	}
	return references, ok
}

func (r *reader) knownFunction(call *hclsyntax.FunctionCallExpr) bool {
	if _, ok := functions[call.Name]; ok {
		return true
	}
	all := slices.Sorted(maps.Keys(functions))
	hint := "functions: " + strings.Join(all, ", ")
	if near := r.nearest(call.Name, all); near != "" {
		hint = fmt.Sprintf("did you mean %s()?", near)
	}
	r.refuse(call.NameRange, fmt.Sprintf("there is no function %s()", call.Name), "", hint)
	return false
}

// knownReference judges the first two steps of a reference, as controller.reel.
// The others of the same expression count as used for suggestions.
func (r *reader) knownReference(t hcl.Traversal, others []hcl.Traversal) bool {
	root := t.RootName()
	known := r.names[root]
	if known == nil {
		r.refuseRoot(t)
		return false
	}
	if len(t) < 2 || stepName(t) == "" {
		r.refuse(t.SourceRange(), fmt.Sprintf("%s needs a name", root),
			fmt.Sprintf("%s alone means nothing.", root), fmt.Sprintf("write %s.NAME", root))
		return false
	}
	name := stepName(t)
	if !known.has(name) {
		r.refuseMember(t, others)
		return false
	}
	if len(t) > 2 && root != rootValue {
		r.refuse(t[2:].SourceRange(), fmt.Sprintf("%s has no parts to read", reference(root, name)), "",
			fmt.Sprintf("write %s alone; content to share belongs into values { … }", reference(root, name)))
		return false
	}
	return true
}

// used gives the names that references to root make.
func used(references []hcl.Traversal, root string) []string {
	var all []string
	for _, t := range references {
		if t.RootName() == root {
			all = append(all, stepName(t))
		}
	}
	return all
}

func (r *reader) refuseMember(t hcl.Traversal, others []hcl.Traversal) {
	root, name := t.RootName(), stepName(t)
	all := r.names[root].list
	detail, hint := fmt.Sprintf("There are: %s.", listed(all)), ""
	if len(all) == 0 {
		detail = fmt.Sprintf("The layout states no %s at all.", root)
	}
	if r.suggests() {
		if near := r.nearest(name, without(all, used(others, root))); near != "" {
			hint = fmt.Sprintf("did you mean %s?", reference(root, near))
		}
	}
	r.refuse(t.SourceRange(), fmt.Sprintf("there is no %s %q", root, name), detail, hint)
}

// refuseRoot reports a bare word: most often a text without quotes, or the
// name of something without its kind.
func (r *reader) refuseRoot(t hcl.Traversal) {
	word := t.RootName()
	hint := fmt.Sprintf("if it is meant as text, put it in quotes: %q", word)
	for _, kind := range []string{kindController, kindGuest, kindShim} {
		if r.names[kind].has(word) {
			hint = fmt.Sprintf("did you mean %s?", reference(kind, word))
			break
		}
	}
	roots := []string{kindController, kindGuest, kindShim, kindShift, rootSurvey, rootValue}
	if near := r.nearest(word, roots); near != "" && len(t) > 1 {
		hint = fmt.Sprintf("did you mean %s?", reference(near, stepName(t)))
	}
	r.refuse(t.SourceRange(), fmt.Sprintf("%q is not known here", word),
		"An expression can name controllers, guests, shims, values and facts of the survey.", hint)
}

// stepName gives the second step of a reference: reel in controller.reel and in
// controller["reel"]; "" if there is none or it is not a text.
func stepName(t hcl.Traversal) string {
	if len(t) < 2 {
		return ""
	}
	switch step := t[1].(type) {
	case hcl.TraverseAttr:
		return step.Name
	case hcl.TraverseIndex:
		if step.Key.Type() == cty.String && !step.Key.IsNull() {
			return step.Key.AsString()
		}
	}
	return ""
}
