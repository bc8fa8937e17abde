package spec

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/zclconf/go-cty/cty"
	"github.com/zclconf/go-cty/cty/convert"
	"github.com/zclconf/go-cty/cty/function"

	"lendkeep/spec/plain"
)

// unsuited is what a function of the language says against what it was given. It
// is shown as it is; what the library's functions say is not.
type unsuited struct{ said string }

func (u unsuited) Error() string { return u.said }

// uncomputed reports what in an expression cannot be computed. The library tells
// where; what is said comes from the part that fails and the values it works on.
func (r *reader) uncomputed(expr hclsyntax.Expression, ctx *hcl.EvalContext, ds hcl.Diagnostics) {
	for _, d := range ds {
		part := expr
		if d.Subject != nil {
			part = failing(expr, ctx, *d.Subject)
		}
		m := r.incomputable(part, ctx)
		r.refuse(m.rng, m.summary, m.detail, m.hint)
	}
}

// failing gives the innermost part of an expression around a place that cannot be
// computed by itself.
func failing(expr hclsyntax.Expression, ctx *hcl.EvalContext, at hcl.Range) hclsyntax.Expression {
	for _, part := range parts(expr) {
		rng := part.Range()
		if rng.Start.Byte > at.Start.Byte || rng.End.Byte < at.End.Byte {
			continue
		}
		if _, ds := part.Value(ctx); ds.HasErrors() {
			return failing(part, ctx, at)
		}
	}
	return expr
}

// parts gives the expressions of which one is made.
func parts(expr hclsyntax.Expression) []hclsyntax.Expression {
	c := &children{}
	_ = hclsyntax.Walk(expr, c) // it gives what children gives, which is nothing
	return c.list
}

type children struct {
	depth int
	list  []hclsyntax.Expression
}

// Enter implements hclsyntax.Walker.
func (c *children) Enter(node hclsyntax.Node) hcl.Diagnostics {
	if c.depth == 1 {
		if part, ok := node.(hclsyntax.Expression); ok {
			c.list = append(c.list, part)
		}
	}
	c.depth++
	return nil
}

// Exit implements hclsyntax.Walker.
func (c *children) Exit(hclsyntax.Node) hcl.Diagnostics {
	c.depth--
	return nil
}

// incomputable says why a part cannot be computed, whose own parts can.
func (r *reader) incomputable(part hclsyntax.Expression, ctx *hcl.EvalContext) mistake {
	value := func(e hclsyntax.Expression) cty.Value {
		v, _ := e.Value(ctx)
		return v
	}
	switch e := part.(type) {
	case *hclsyntax.FunctionCallExpr:
		return uncallable(e, ctx, value)
	case *hclsyntax.ConditionalExpr:
		return undecided(e, value)
	case *hclsyntax.BinaryOpExpr:
		return inoperable(e, value)
	case *hclsyntax.UnaryOpExpr:
		return mistake{e.SrcRange, "this sign cannot stand before this", fmt.Sprintf("It stands before %s.", shownValue(value(e.Val))), "- stands before a number, ! before true or false"}
	case *hclsyntax.TemplateExpr:
		for _, p := range e.Parts {
			if v := value(p); v.IsNull() || !isText(v) {
				return mistake{p.Range(), "this cannot be a part of a text", fmt.Sprintf("It is %s.", shownValue(v)), "a text takes texts and numbers; join(\", \", LIST) makes a text of a list"}
			}
		}
	case *hclsyntax.ScopeTraversalExpr:
		return r.missing(e.Traversal, cty.NilVal, ctx, e.SrcRange)
	case *hclsyntax.RelativeTraversalExpr:
		return r.missing(e.Traversal, value(e.Source), ctx, e.SrcRange)
	case *hclsyntax.IndexExpr:
		return r.noSuch(value(e.Collection), value(e.Key), e.SrcRange)
	case *hclsyntax.SplatExpr:
		return mistake{e.SrcRange, "[*] stands behind a list only", fmt.Sprintf("This is %s.", shownValue(value(e.Source))), ""}
	case *hclsyntax.ObjectConsExpr:
		for _, item := range e.Items {
			if v, ds := item.KeyExpr.Value(ctx); ds.HasErrors() || v.IsNull() || !isText(v) {
				return mistake{item.KeyExpr.Range(), "this cannot name a value in { … }", "", "write a name, or a text in quotes"}
			}
		}
	}
	return mistake{part.Range(), "this cannot be computed", "", "write the value out"}
}

func isText(v cty.Value) bool {
	_, err := convert.Convert(v, cty.String)
	return err == nil
}

// uncallable tells why a function cannot be called with its arguments.
func uncallable(e *hclsyntax.FunctionCallExpr, ctx *hcl.EvalContext, value func(hclsyntax.Expression) cty.Value) mistake {
	f := ctx.Functions[e.Name]
	usage := "write " + usageOf(e.Name, f)
	params, more := f.Params(), f.VarParam()
	stated := len(e.Args)
	if e.ExpandFinal {
		stated-- // the last stands for any number of them
	}
	if stated > len(params) && more == nil || stated < len(params) && !e.ExpandFinal {
		return mistake{e.Range(), fmt.Sprintf("%s() takes %s", e.Name, plain.Count(len(params), "argument")), fmt.Sprintf("Here it has %d.", stated), usage}
	}
	var given []cty.Value
	var shown []string
	for i, arg := range e.Args {
		v := value(arg)
		if e.ExpandFinal && i == len(e.Args)-1 {
			if v.IsNull() || !v.CanIterateElements() || v.Type().IsObjectType() || v.Type().IsMapType() {
				return mistake{arg.Range(), "... stands behind a list only", fmt.Sprintf("This is %s.", shownValue(v)), ""}
			}
			given = append(given, v.AsValueSlice()...)
			continue
		}
		param := more
		if i < len(params) {
			param = &params[i]
		}
		converted, err := convert.Convert(v, param.Type)
		if err != nil {
			return mistake{arg.Range(), fmt.Sprintf("%s() takes %s here", e.Name, kindOf(param.Type)), fmt.Sprintf("This is %s.", shownValue(v)), usage}
		}
		given, shown = append(given, converted), append(shown, shownValue(v))
	}
	m := mistake{e.Range(), fmt.Sprintf("%s() cannot compute this", e.Name), "", usage}
	if len(shown) > 0 {
		m.detail = fmt.Sprintf("It is given %s.", listed(shown))
	}
	var said unsuited
	if _, err := f.Call(given); errors.As(err, &said) {
		m.detail = sentence(said.Error())
	}
	return m
}

// usageOf writes a function with its parameters, as gib(NUMBER).
func usageOf(name string, f function.Function) string {
	var all []string
	for _, p := range f.Params() {
		all = append(all, strings.ToUpper(p.Name))
	}
	if p := f.VarParam(); p != nil {
		all = append(all, strings.ToUpper(p.Name)+", …")
	}
	return fmt.Sprintf("%s(%s)", name, strings.Join(all, ", "))
}

// undecided tells what is wrong with CONDITION ? THIS : THAT.
func undecided(e *hclsyntax.ConditionalExpr, value func(hclsyntax.Expression) cty.Value) mistake {
	condition := value(e.Condition)
	if truth, err := convert.Convert(condition, cty.Bool); err != nil || truth.IsNull() {
		return mistake{e.Condition.Range(), "a condition is true or false", fmt.Sprintf("This is %s.", shownValue(condition)), "compare it with something, as survey.cpus > 4"}
	}
	return mistake{e.SrcRange, "both answers of a condition must be of one kind", fmt.Sprintf("One is %s, the other %s.", shownValue(value(e.TrueResult)), shownValue(value(e.FalseResult))), "null leaves an attribute out"}
}

// inoperable tells why an operator cannot work on two values.
func inoperable(e *hclsyntax.BinaryOpExpr, value func(hclsyntax.Expression) cty.Value) mistake {
	left, right := value(e.LHS), value(e.RHS)
	m := mistake{e.SrcRange, "these two cannot be computed with each other", fmt.Sprintf("One is %s, the other %s.", shownValue(left), shownValue(right)), "operators work on numbers, or on true and false"}
	switch {
	case e.Op == hclsyntax.OpAdd && (left.Type() == cty.String || right.Type() == cty.String):
		m.hint = "join texts with \"${…}\" or format()"
	case (e.Op == hclsyntax.OpDivide || e.Op == hclsyntax.OpModulo) && right.Type() == cty.Number && right.IsKnown() && !right.IsNull() && right.AsBigFloat().Sign() == 0:
		m.summary, m.detail, m.hint = "nothing can be divided by zero", "", ""
	}
	return m
}

// missing tells at which step a reference leads nowhere. from is what its first
// step is taken from; NilVal where that is a name.
func (r *reader) missing(steps hcl.Traversal, from cty.Value, ctx *hcl.EvalContext, rng hcl.Range) mistake {
	if from == cty.NilVal {
		from, steps = ctx.Variables[steps.RootName()], steps[1:]
	}
	for _, step := range steps {
		key := cty.NilVal
		switch s := step.(type) {
		case hcl.TraverseAttr:
			key = cty.StringVal(s.Name)
		case hcl.TraverseIndex:
			key = s.Key
		}
		next, ds := hcl.Traversal{step}.TraverseRel(from)
		if ds.HasErrors() {
			return r.noSuch(from, key, rng)
		}
		from = next
	}
	return mistake{rng, "this cannot be computed", "", "write the value out"}
}

// noSuch tells that a value has no such part.
func (r *reader) noSuch(in, key cty.Value, rng hcl.Range) mistake {
	m := mistake{rng: rng, summary: fmt.Sprintf("there is no part %s", shownKey(key)), detail: fmt.Sprintf("This is %s.", shownValue(in))}
	switch t := in.Type(); {
	case in.IsNull():
	case t.IsObjectType() || t.IsMapType():
		var names []string
		for name := range in.AsValueMap() {
			names = append(names, name)
		}
		slices.Sort(names)
		m.detail = "There are: " + listed(names) + "."
		if len(names) == 0 {
			m.detail = "There is none at all."
		}
		if key.Type() == cty.String && !key.IsNull() {
			if near := r.nearest(key.AsString(), names); near != "" {
				m.hint = fmt.Sprintf("did you mean %s?", near)
			}
		}
	case t.IsTupleType() || t.IsListType() || t.IsSetType():
		m.detail = fmt.Sprintf("The list has %s, counted from 0.", plain.Count(in.LengthInt(), "element"))
	}
	return m
}
