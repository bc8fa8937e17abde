package spec

import (
	"fmt"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
)

// value is one attribute of a values block, computed when first needed.
type value struct {
	name     string
	attr     *hclsyntax.Attribute
	result   cty.Value
	ok       bool // result can be used; if not, that has been reported
	done     bool
	underway bool
}

// learnValues collects the attributes of all values blocks, then computes each,
// so that a mistake in one that nobody uses is reported too.
func (r *reader) learnValues(blocks []*hclsyntax.Block) {
	r.names[rootValue], r.names[rootSurvey] = newNames(), newNames()
	for _, fact := range []string{factCPUs, factHost, factMemory} {
		r.names[rootSurvey].add(fact, hcl.Range{})
	}
	for _, b := range blocks {
		if b.Type != "values" {
			continue
		}
		r.plainBlock(b)
		for _, attr := range inOrder(b.Body.Attributes) {
			if first, taken := r.names[rootValue].add(attr.Name, attr.NameRange); taken {
				r.refuse(attr.NameRange, fmt.Sprintf("second value named %q", attr.Name),
					fmt.Sprintf("The first one is at %s.", placeOf(first)), "rename one of them")
				continue
			}
			r.values[attr.Name] = &value{name: attr.Name, attr: attr}
		}
	}
	for _, name := range r.names[rootValue].list {
		r.compute(r.values[name], reading{})
	}
}

// plainBlock refuses labels and inner blocks of a values block.
func (r *reader) plainBlock(b *hclsyntax.Block) {
	if len(b.Labels) > 0 {
		r.refuse(b.LabelRanges[0], "values has no name", "All values share one set of names.", "write values { … }")
	}
	for _, inner := range b.Body.Blocks {
		r.refuse(inner.TypeRange, "values holds no blocks", "",
			fmt.Sprintf("write %s = { … }, read as value.%s", inner.Type, inner.Type))
	}
}

// reading is why an expression is computed.
type reading struct {
	path  []*value        // values that wait for it, the last one for it itself
	among []hcl.Traversal // references in the same list; nil: those in the expression
}

// compute evaluates v and, before it, the values that it reads.
func (r *reader) compute(v *value, why reading) bool {
	if v.done {
		return v.ok
	}
	path := append(why.path, v)
	if v.underway {
		r.refuseCircle(path)
		return false
	}
	if len(path) > maxChain {
		r.refuse(v.attr.NameRange, "values refer to each other too deeply", "", "")
		return false
	}
	v.underway = true
	v.result, v.ok = r.evaluate(v.attr.Expr, reading{path: path})
	if v.ok && weight(v.result) > maxWeight {
		r.refuse(v.attr.Expr.Range(), "value is too large",
			fmt.Sprintf("A value may hold %d characters and elements, and nest 100 deep.", maxWeight), "")
		v.ok = false
	}
	v.underway, v.done = false, true
	return v.ok
}

// refuseCircle reports values that need each other; the last of path is also
// somewhere earlier in it.
func (r *reader) refuseCircle(path []*value) {
	last := path[len(path)-1]
	from := 0
	for path[from] != last {
		from++
	}
	steps := make([]string, 0, len(path))
	for _, v := range path[from:] {
		steps = append(steps, "value."+v.name)
	}
	r.refuse(last.attr.NameRange, "values refer to each other in a circle",
		strings.Join(steps, " needs ")+".", "write one of them without the others")
}

// evaluate computes an expression. What can be said about its names is said
// first and in the layout's own words.
func (r *reader) evaluate(expr hclsyntax.Expression, why reading) (cty.Value, bool) {
	references, ok := r.inspect(expr, why.among)
	if !ok {
		return cty.NilVal, false
	}
	variables, ok := r.variables(references, why)
	if !ok {
		return cty.NilVal, false
	}
	ctx := &hcl.EvalContext{Variables: variables, Functions: r.calls}
	result, ds := expr.Value(ctx)
	r.uncomputed(expr, ctx, ds)
	return result, !ds.HasErrors() && result.IsWhollyKnown()
}

// variables gives exactly what the references of one expression read, so that
// an expression costs what it uses and not what the layout holds.
func (r *reader) variables(references []hcl.Traversal, why reading) (map[string]cty.Value, bool) {
	roots := map[string]map[string]cty.Value{}
	read, ok := 0, true
	for _, t := range references {
		v, known := r.lookUp(t, why)
		ok = ok && known
		if !known {
			continue
		}
		if read += weight(v); read > 16*maxWeight {
			r.refuse(t.SourceRange(), "expression reads too much", "", "")
			return nil, false
		}
		root := t.RootName()
		if roots[root] == nil {
			roots[root] = map[string]cty.Value{}
		}
		roots[root][stepName(t)] = v
	}
	variables := make(map[string]cty.Value, len(roots))
	for root, members := range roots {
		variables[root] = cty.ObjectVal(members)
	}
	return variables, ok
}

// lookUp gives what the first two steps of a reference mean. The reference has
// passed inspect: both steps are there and known.
func (r *reader) lookUp(t hcl.Traversal, why reading) (cty.Value, bool) {
	name := stepName(t)
	switch root := t.RootName(); root {
	case rootValue:
		v := r.values[name]
		ok := r.compute(v, why)
		return v.result, ok
	case rootSurvey:
		return r.fact(t, name)
	default:
		return cty.CapsuleVal(referenceType, &pointer{kind: root, name: name}), true
	}
}

// The facts that expressions can read as survey.NAME.
const (
	factCPUs   = "cpus"
	factHost   = "host"
	factMemory = "memory"
)

func (r *reader) fact(t hcl.Traversal, name string) (cty.Value, bool) {
	if !r.given.Known {
		r.refuse(t.SourceRange(), fmt.Sprintf("survey.%s needs a survey", name),
			"This layout computes with a fact of the host, and no survey of it is at hand.",
			"pass --survey FILE, or run on the host itself")
		return cty.NilVal, false
	}
	switch name {
	case factMemory:
		return cty.NumberUIntVal(r.given.MemoryBytes), true
	case factCPUs:
		return cty.NumberIntVal(int64(r.given.CPUs)), true
	default:
		return cty.StringVal(r.given.HostName), true
	}
}
