package spec

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/hashicorp/hcl/v2"
	"github.com/zclconf/go-cty/cty"
)

// attribute is the computed value of an attribute and where it stands.
type attribute struct {
	cty.Value
	name  string
	rng   hcl.Range
	owner *block
}

// get computes an attribute. It is absent (false) if it is not stated, is null,
// as the unused arm of a condition is, or cannot be computed; the last has been
// reported.
func (b *block) get(name string) (attribute, bool) {
	attr := b.Body.Attributes[name]
	if attr == nil {
		return attribute{}, false
	}
	v, ok := b.r.evaluate(attr.Expr, reading{})
	a := attribute{Value: v, name: name, rng: attr.Expr.Range(), owner: b}
	if !ok {
		a.spoil()
		return a, false
	}
	if v.IsNull() && slices.Contains(b.form.needs, name) {
		a.refuse(name+" is null", fmt.Sprintf("The %s has to state it.", b.title), "")
	}
	return a, !v.IsNull()
}

// refuse reports what is wrong with an attribute's value.
func (a attribute) refuse(summary, detail, hint string) {
	a.spoil()
	a.owner.r.refuse(a.rng, summary, detail, hint)
}

// spoil notes that the attribute is stated but wrong, so that no rule takes it
// for one that is not stated.
func (a attribute) spoil() { a.owner.r.broken[spot{a.owner.at, a.name}] = true }

// refuseType reports a value of another type than wanted. Nothing is converted:
// a serial such as 0071 would lose its zeros on the way from number to text.
func (a attribute) refuseType(wanted, hint string) {
	a.refuse(fmt.Sprintf("%s must be %s", a.name, wanted), fmt.Sprintf("It is %s.", describe(a.Value)), hint)
}

// describe says what a value is, for people.
func describe(v cty.Value) string {
	switch t := v.Type(); {
	case v.IsNull():
		return "null"
	case t == cty.String:
		return "text"
	case t == cty.Number:
		return "a number"
	case t == cty.Bool:
		return "true or false"
	case t == referenceType:
		return "a " + v.EncapsulatedValue().(*pointer).kind
	case t == imageType, t == partitionType:
		return "an answer of " + t.FriendlyName() + "()"
	case t == restType:
		return "an answer of rest()"
	case t.IsTupleType(), t.IsListType(), t.IsSetType():
		return "a list"
	default:
		return "a map of values"
	}
}

// text reads a text that is not empty.
func (b *block) text(name string) (string, attribute, bool) {
	a, ok := b.get(name)
	if !ok {
		return "", a, false
	}
	if a.Type() != cty.String {
		a.refuseType("text", "put it in quotes")
		return "", a, false
	}
	if a.AsString() == "" {
		a.refuse(name+" is empty", "", "leave the attribute out if there is nothing to state")
		return "", a, false
	}
	return a.AsString(), a, true
}

// checked reads a text that wrong finds nothing wrong with.
func (b *block) checked(name string, wrong func(string) string) string {
	text, a, ok := b.text(name)
	if !ok {
		return ""
	}
	if why := wrong(text); why != "" {
		a.refuse(fmt.Sprintf("%s is not usable", name), sentence(why), "")
		return ""
	}
	return text
}

// choice reads one of the allowed texts.
func (b *block) choice(name string, allowed ...string) string {
	text, a, ok := b.text(name)
	if !ok {
		return ""
	}
	if !a.oneOf(name, text, allowed) {
		return ""
	}
	return text
}

// oneOf reports a text that is none of the allowed ones.
func (a attribute) oneOf(name, text string, allowed []string) bool {
	if slices.Contains(allowed, text) {
		return true
	}
	hint := ""
	if near := a.owner.r.nearest(text, allowed); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	}
	a.refuse(fmt.Sprintf("%s cannot be %q", name, text), fmt.Sprintf("It can be %s.", quoted(allowed)), hint)
	return false
}

// flag reads true or false.
func (b *block) flag(name string) bool {
	said := b.stance(name)
	return said != nil && *said
}

// stance reads the attribute of that name as flag does, nil where it is not
// stated.
func (b *block) stance(name string) *bool {
	a, ok := b.get(name)
	if !ok {
		return nil
	}
	if a.Type() != cty.Bool {
		a.refuseType("true or false", "")
		return nil
	}
	said := a.True()
	return &said
}

// How long a shutdown or a return may be told to take.
const (
	shortest = time.Second
	longest  = 24 * time.Hour
)

// within reads the attribute of that name, a duration as "90s".
func (b *block) within(fallback time.Duration) time.Duration {
	const form = `write it as "90s" or "2m"`
	a, ok := b.get("within")
	if !ok {
		return fallback
	}
	if a.Type() != cty.String {
		a.refuseType("a duration", form)
		return fallback
	}
	d, err := time.ParseDuration(a.AsString())
	switch {
	case err != nil:
		a.refuse(fmt.Sprintf("%q is not a duration", a.AsString()), "", form)
		return fallback
	case d < shortest || d > longest:
		a.refuse(fmt.Sprintf("within cannot be %s", d), "It can be from 1s to 24h.", "")
		return fallback
	}
	return d
}

// count reads a whole number from 1 to most; 0 where it is not stated.
func (b *block) count(name string, most int64) int {
	if n := b.number(name, 1, most); n != nil {
		return *n
	}
	return 0
}

// number reads a whole number from least to most, nil where it is not stated.
func (b *block) number(name string, least, most int64) *int {
	a, ok := b.get(name)
	if !ok {
		return nil
	}
	if a.Type() != cty.Number {
		a.refuseType("a whole number", "")
		return nil
	}
	number, isWhole := whole(a.Value)
	n, _ := number.Int64()
	if !isWhole || n < least || n > most {
		a.refuse(fmt.Sprintf("%s cannot be %s", name, number.Text('g', 10)),
			fmt.Sprintf("It can be a whole number from %d to %d.", least, most), "")
		return nil
	}
	read := int(n)
	return &read
}

// leastBytes is below every size that makes sense: a smaller number was meant
// to have a unit.
const leastBytes = 1 << 20

// size reads a number of bytes that is a multiple of grain.
func (b *block) size(grain uint64) uint64 {
	a, ok := b.get("size")
	if !ok {
		return 0
	}
	return a.bytes(grain)
}

func (a attribute) bytes(grain uint64) uint64 {
	const form = "sizes are bytes; write gib(16) or mib(512)"
	if a.Type() != cty.Number {
		a.refuseType("a number of bytes", form)
		return 0
	}
	number, isWhole := whole(a.Value)
	n, _ := number.Uint64()
	switch {
	case !isWhole:
		a.refuse("size is not a whole number of bytes", fmt.Sprintf("It is %s.", number.Text('g', 20)), "round it with floor()")
	case number.Sign() < 0 || n < leastBytes:
		a.refuse("size is too small", fmt.Sprintf("%s bytes are less than 1 MiB.", number.Text('f', 0)), form)
	case n > math.MaxInt64:
		a.refuse("size is too large", "No size reaches 8 EiB.", form)
	case n%grain != 0:
		a.refuse(fmt.Sprintf("size is not a multiple of %d bytes", grain),
			fmt.Sprintf("It is %d bytes; the last whole step before is %d.", n, n-n%grain),
			"round it: mib(floor(SIZE / mib(1)))")
	default:
		return n
	}
	return 0
}
