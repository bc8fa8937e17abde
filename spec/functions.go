package spec

import (
	"fmt"
	"math/big"
	"reflect"
	"regexp"

	"github.com/zclconf/go-cty/cty"
	"github.com/zclconf/go-cty/cty/function"
	"github.com/zclconf/go-cty/cty/function/stdlib"
)

// Values that text and numbers cannot stand for, so that a path is not taken
// for a partition id, nor a number for "all that remains".
var (
	restType      = cty.Capsule("rest of the drive", reflect.TypeFor[struct{}]())
	imageType     = cty.Capsule("image", reflect.TypeFor[picture]())
	partitionType = cty.Capsule("partition", reflect.TypeFor[string]())
	referenceType = cty.Capsule("reference", reflect.TypeFor[pointer]())
)

// pointer is what controller.reel and the like evaluate to.
type pointer struct {
	kind string
	name string
}

// picture is what image() evaluates to.
type picture struct {
	path   string
	format string // empty: not stated
}

// functions are all that an expression may call. Of the library's functions
// those are missing that work on dates, bytes and patterns, which no attribute
// needs, and those whose answer can be far larger than what they are given.
var functions = map[string]function.Function{
	"kib":       unit("kib", 1<<10),
	"mib":       unit("mib", 1<<20),
	"gib":       unit("gib", 1<<30),
	"tib":       unit("tib", 1<<40),
	"rest":      restFunction,
	"image":     imageFunction,
	"partition": partitionFunction,
	"format":    checkedFormat,

	"chomp":      stdlib.ChompFunc,
	"join":       stdlib.JoinFunc,
	"lower":      stdlib.LowerFunc,
	"replace":    stdlib.ReplaceFunc,
	"split":      stdlib.SplitFunc,
	"strlen":     stdlib.StrlenFunc,
	"substr":     stdlib.SubstrFunc,
	"title":      stdlib.TitleFunc,
	"trim":       stdlib.TrimFunc,
	"trimprefix": stdlib.TrimPrefixFunc,
	"trimspace":  stdlib.TrimSpaceFunc,
	"trimsuffix": stdlib.TrimSuffixFunc,
	"upper":      stdlib.UpperFunc,

	"coalesce": stdlib.CoalesceFunc,
	"compact":  stdlib.CompactFunc,
	"concat":   stdlib.ConcatFunc,
	"contains": stdlib.ContainsFunc,
	"distinct": stdlib.DistinctFunc,
	"element":  stdlib.ElementFunc,
	"flatten":  stdlib.FlattenFunc,
	"index":    stdlib.IndexFunc,
	"keys":     stdlib.KeysFunc,
	"length":   stdlib.LengthFunc,
	"lookup":   stdlib.LookupFunc,
	"merge":    stdlib.MergeFunc,
	"range":    stdlib.RangeFunc,
	"reverse":  stdlib.ReverseListFunc,
	"slice":    stdlib.SliceFunc,
	"sort":     stdlib.SortFunc,
	"values":   stdlib.ValuesFunc,
	"zipmap":   stdlib.ZipmapFunc,

	"abs":   stdlib.AbsoluteFunc,
	"ceil":  stdlib.CeilFunc,
	"floor": stdlib.FloorFunc,
	"max":   stdlib.MaxFunc,
	"min":   stdlib.MinFunc,
}

// unit makes a function from a number of units to bytes. Fractions are fine as
// long as whole bytes come out: gib(1.5), but not kib(0.0001).
func unit(name string, size int64) function.Function {
	return function.New(&function.Spec{
		Params: []function.Parameter{{Name: "number", Type: cty.Number}},
		Type:   function.StaticReturnType(cty.Number),
		Impl: func(args []cty.Value, _ cty.Type) (cty.Value, error) {
			bytes, ok := whole(args[0].Multiply(cty.NumberIntVal(size)))
			if !ok {
				return cty.NilVal, unsuited{fmt.Sprintf("%s %s is not a whole number of bytes", args[0].AsBigFloat().Text('g', 10), name)}
			}
			return cty.NumberVal(bytes), nil
		},
	})
}

// whole gives a number that is whole. Expressions are computed with 512 bits;
// what is whole in 128 of them, as 1.1 * 10 is, was meant to be whole.
func whole(number cty.Value) (*big.Float, bool) {
	rounded := new(big.Float).SetPrec(128).Set(number.AsBigFloat())
	return rounded, rounded.IsInt()
}

var restFunction = function.New(&function.Spec{
	Type: function.StaticReturnType(restType),
	Impl: func([]cty.Value, cty.Type) (cty.Value, error) {
		return cty.CapsuleVal(restType, &struct{}{}), nil
	},
})

// imageFunction and partitionFunction say what kind of thing a text names. The
// text itself is judged where it is used, with the attribute's name at hand.
var imageFunction = function.New(&function.Spec{
	Params:   []function.Parameter{{Name: "path", Type: cty.String}},
	VarParam: &function.Parameter{Name: "format", Type: cty.String},
	Type: func(args []cty.Value) (cty.Type, error) {
		if len(args) > 2 {
			return cty.NilType, unsuited{"an image has one format"}
		}
		return imageType, nil
	},
	Impl: func(args []cty.Value, _ cty.Type) (cty.Value, error) {
		image := picture{path: args[0].AsString()}
		if len(args) > 1 {
			image.format = args[1].AsString()
		}
		return cty.CapsuleVal(imageType, &image), nil
	},
})

var partitionFunction = function.New(&function.Spec{
	Params: []function.Parameter{{Name: "id", Type: cty.String}},
	Type:   function.StaticReturnType(partitionType),
	Impl: func(args []cty.Value, _ cty.Type) (cty.Value, error) {
		text := args[0].AsString()
		return cty.CapsuleVal(partitionType, &text), nil
	},
})

// wideVerb finds a width, precision or argument number of four digits or more.
var wideVerb = regexp.MustCompile(`%[^%a-zA-Z]*[1-9][0-9]{3}`)

var checkedFormat = function.New(&function.Spec{
	Params:   stdlib.FormatFunc.Params(),
	VarParam: stdlib.FormatFunc.VarParam(),
	Type:     function.StaticReturnType(cty.String),
	Impl: func(args []cty.Value, _ cty.Type) (cty.Value, error) {
		if wideVerb.MatchString(args[0].AsString()) {
			return cty.NilVal, unsuited{"a width may have three digits"}
		}
		return stdlib.FormatFunc.Call(args)
	},
})

// maxWeight bounds what one value may hold: characters of text plus elements
// of lists. A path has at most 4,096 bytes (PATH_MAX in linux/limits.h), and
// nothing in a layout is longer.
const maxWeight = 4096

// maxSpent bounds what all calls of one layout may be given and give together,
// counted as maxWeight is: 2,000 guests with ten calls each stay far below it,
// and the dearest functions take a second for it, which are those that compare
// every element with every other.
const maxSpent = 1 << 20

// bounded makes every function refuse arguments that are too heavy together,
// so that the answer of even join or replace stays within a few megabytes, and
// all of them together refuse once they have spent too much.
func bounded(all map[string]function.Function) map[string]function.Function {
	spent, made := 0, make(map[string]function.Function, len(all))
	for name, f := range all {
		made[name] = function.New(&function.Spec{
			Params:   f.Params(),
			VarParam: f.VarParam(),
			Type: func(args []cty.Value) (cty.Type, error) {
				total := 0
				for _, arg := range args {
					total += weight(arg)
				}
				if total > maxWeight {
					return cty.NilType, unsuited{fmt.Sprintf("the arguments hold more than %d characters and elements", maxWeight)}
				}
				return f.ReturnTypeForValues(args)
			},
			Impl: func(args []cty.Value, _ cty.Type) (cty.Value, error) {
				for _, arg := range args {
					spent += weight(arg)
				}
				if spent > maxSpent {
					return cty.NilVal, unsuited{fmt.Sprintf("the calls of this layout work on more than %d characters and elements together", maxSpent)}
				}
				answer, err := f.Call(args)
				if err == nil {
					spent += weight(answer)
				}
				return answer, err
			},
		})
	}
	return made
}

// weight counts the characters and elements in v, and gives up counting a
// little above maxWeight. What is nested too deep is too heavy.
func weight(v cty.Value) int { return weightAt(v, 0) }

func weightAt(v cty.Value, depth int) int {
	switch {
	case depth > maxDepth:
		return maxWeight + 1
	case v == cty.NilVal || v.IsNull() || !v.IsKnown() || v.IsMarked():
		return 1
	case v.Type() == cty.String:
		return 1 + len(v.AsString())
	case v.Type() == cty.Number:
		return 1 + digits(v.AsBigFloat())
	case v.CanIterateElements():
		total := 1
		for it := v.ElementIterator(); it.Next() && total <= maxWeight; {
			key, element := it.Element()
			total += weightAt(key, depth+1) + weightAt(element, depth+1)
		}
		return total
	default:
		return 1
	}
}

// digits estimates how long a number is when written out.
func digits(f *big.Float) int {
	exponent := f.MantExp(nil)
	if exponent < 0 {
		exponent = -exponent
	}
	return exponent * 3 / 10 // a bit is 0.30 of a decimal digit
}
