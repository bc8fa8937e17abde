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

// Limits of one expression. Deep values have deep types, and comparing those
// takes more than the square of the depth.
const (
	maxDepth  = 100
	maxDigits = 100 // of a number that is written in a layout
)

// inspect gives the references in an expression, each of which is known and
// has at least two steps; false if anything in it is not known. The references
// among which the expression stands count as used for suggestions.
//
// There are no loops in the language; they are refused here, which also bounds
// what computing an expression can cost.
func (r *reader) inspect(expr hclsyntax.Expression, among []hcl.Traversal) (references []hcl.Traversal, ok bool) {
	w := &inspector{r: r, ok: true}
	hclsyntax.Walk(expr, w)
	if !w.ok {
		return nil, false // names bound by a loop would look unknown
	}
	if among == nil {
		among = w.references
	}
	for _, t := range w.references {
		ok = r.knownReference(t, among)
		w.ok = w.ok && ok
	}
	return w.references, w.ok
}

// inspector visits every part of an expression.
type inspector struct {
	r          *reader
	references []hcl.Traversal
	depth      int
	tooDeep    bool
	ok         bool
}

// Enter implements hclsyntax.Walker.
func (w *inspector) Enter(node hclsyntax.Node) hcl.Diagnostics {
	w.depth++
	if w.depth > maxDepth && !w.tooDeep {
		w.tooDeep = true
		w.refuse(node.Range(), "nested too deep", fmt.Sprintf("An expression may nest %d deep.", maxDepth), "")
	}
	switch n := node.(type) {
	case *hclsyntax.ForExpr:
		w.refuse(n.OpenRange, "there are no loops in a layout", "", "write the list out")
	case *hclsyntax.FunctionCallExpr:
		if _, known := functions[n.Name]; !known {
			w.refuse(n.NameRange, fmt.Sprintf("there is no function %s()", n.Name), "", w.r.functionHint(n.Name))
		}
	case *hclsyntax.LiteralValueExpr:
		// A few characters, such as 1e999999, would take gigabytes when written out.
		if n.Val.Type() == cty.Number && weight(n.Val) > maxDigits {
			w.refuse(n.SrcRange, "number is out of all proportion",
				fmt.Sprintf("A number may have %d digits before or behind the point.", maxDigits), "")
		}
	case *hclsyntax.ScopeTraversalExpr:
		w.references = append(w.references, n.Traversal)
	}
	return nil
}

// Exit implements hclsyntax.Walker.
func (w *inspector) Exit(hclsyntax.Node) hcl.Diagnostics {
	w.depth--
	return nil
}

func (w *inspector) refuse(rng hcl.Range, summary, detail, hint string) {
	w.ok = false
	w.r.refuse(rng, summary, detail, hint)
}

// functionHint gives the function that was meant, or all there are.
func (r *reader) functionHint(name string) string {
	all := slices.Sorted(maps.Keys(functions))
	if near := r.nearest(name, all); near != "" {
		return fmt.Sprintf("did you mean %s()?", near)
	}
	return "functions: " + strings.Join(all, ", ")
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
