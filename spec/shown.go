package spec

import (
	"fmt"

	"github.com/zclconf/go-cty/cty"

	"lendkeep/spec/plain"
)

func shownKey(key cty.Value) string {
	switch {
	case key == cty.NilVal || key.IsNull() || !key.IsKnown():
		return "of that name"
	case key.Type() == cty.String:
		return fmt.Sprintf("%q", key.AsString())
	case key.Type() == cty.Number:
		return key.AsBigFloat().Text('g', 10)
	default:
		return "of that name"
	}
}

// shownValue tells what a value is, and short ones themselves.
func shownValue(v cty.Value) string {
	const short = 40
	switch {
	case v == cty.NilVal || !v.IsKnown():
		return "not known"
	case v.IsNull():
		return "null"
	case v.Type() == cty.String && len(v.AsString()) <= short:
		return fmt.Sprintf("the text %q", v.AsString())
	case v.Type() == cty.Number:
		return "the number " + v.AsBigFloat().Text('g', 10)
	case v.Type() == cty.Bool && v.True():
		return "true"
	case v.Type() == cty.Bool:
		return "false"
	case v.Type().IsTupleType() || v.Type().IsListType() || v.Type().IsSetType():
		return "a list of " + plain.Count(v.LengthInt(), "element")
	default:
		return describe(v)
	}
}

// kindOf calls a type as readers of a layout do.
func kindOf(t cty.Type) string {
	switch {
	case t == cty.String:
		return "a text"
	case t == cty.Number:
		return "a number"
	case t == cty.Bool:
		return "true or false"
	case t.IsListType() || t.IsSetType() || t.IsTupleType():
		return "a list"
	case t.IsMapType() || t.IsObjectType():
		return "a map of values"
	default:
		return "another value"
	}
}
