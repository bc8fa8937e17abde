package spec

import (
	"errors"
	"reflect"
	"slices"
)

// Says tells whether a layout file can say what these parts state: that it reads
// back as what was written, to the last byte. The error says what it cannot say, in
// the words in which Load refuses it. What stands in a comment is asked likewise.
func Says(parts ...Part) error {
	parts = slices.Clone(parts)
	for i := range parts {
		parts[i].Out = false
	}
	layout, ds := LoadSources("", []File{{Name: "layout.hcl", Bytes: Write(parts)}}, Given{})
	for _, d := range ds {
		if d.Severity == SeverityError {
			return errors.New(d.Why())
		}
	}
	for _, p := range parts {
		for _, stated := range []struct{ want, got any }{
			{p.Host, &layout.Host}, {p.Controller, of(p.Controller, layout.Controllers)},
			{p.Guest, of(p.Guest, layout.Guests)}, {p.Shift, of(p.Shift, layout.Shifts)},
		} {
			if want := reflect.ValueOf(stated.want); !want.IsNil() && !agrees(want, reflect.ValueOf(stated.got)) {
				return errors.New("a layout is read as text in Unicode's composed form, and this would be read as another text")
			}
		}
	}
	return nil
}

// of gives the thing that has the name of another, or nil.
func of[T interface{ name() string }](wanted *T, list []T) *T {
	if wanted == nil {
		return nil
	}
	return named(list, (*wanted).name())
}

// agrees tells whether what was read is what was stated. Places are only where it
// stands, and what states nothing is read as its default.
func agrees(want, got reflect.Value) bool {
	if want.Type() == reflect.TypeFor[Place]() || want.IsZero() {
		return true
	}
	switch want.Kind() {
	case reflect.Pointer:
		return !got.IsNil() && agrees(want.Elem(), got.Elem())
	case reflect.Struct:
		for i := range want.NumField() {
			if !agrees(want.Field(i), got.Field(i)) {
				return false
			}
		}
		return true
	case reflect.Slice:
		if want.Len() != got.Len() {
			return false
		}
		for i := range want.Len() {
			if !agrees(want.Index(i), got.Index(i)) {
				return false
			}
		}
		return true
	default:
		return want.Equal(got)
	}
}
