package strict

import (
	"encoding"
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"sync"
)

// members is what a value of a type may have and must have; nil where nothing is
// known of it, which then may be anything.
type members struct {
	of     reflect.Type
	whole  bool // what the type always writes must be there
	needed bool // it must not be null
}

// plain gives the type below pointers; nil for types that read themselves.
func (m *members) plain() reflect.Type {
	if m == nil {
		return nil
	}
	of := m.of
	for of.Kind() == reflect.Pointer {
		of = of.Elem()
	}
	if p := reflect.PointerTo(of); p.Implements(reads) || p.Implements(readsText) {
		return nil
	}
	return of
}

var (
	reads     = reflect.TypeFor[json.Unmarshaler]()
	readsText = reflect.TypeFor[encoding.TextUnmarshaler]()
)

func (m *members) each() *members {
	of := m.plain()
	if of == nil || of.Kind() != reflect.Slice && of.Kind() != reflect.Array {
		return nil
	}
	return &members{of.Elem(), m.whole, m.whole}
}

// member gives what the value of a key must have. A key in another letter case
// than the type's is an error: encoding/json would take it.
func (m *members) member(key string) (*members, error) {
	of := m.plain()
	switch {
	case of == nil:
		return nil, nil
	case of.Kind() == reflect.Map:
		return &members{of.Elem(), m.whole, m.whole}, nil
	case of.Kind() != reflect.Struct:
		return nil, nil // the decoder says so
	}
	for _, f := range fields(of) {
		if f.name == key {
			return &members{f.of, m.whole, m.whole && f.always}, nil
		}
	}
	return nil, errors.New("nothing of that name is known here")
}

func (m *members) always() []string {
	of := m.plain()
	if of == nil || of.Kind() != reflect.Struct || !m.whole {
		return nil
	}
	var list []string
	for _, f := range fields(of) {
		if f.always {
			list = append(list, f.name)
		}
	}
	return list
}

type field struct {
	name   string
	of     reflect.Type
	always bool // it is written whatever its value is
}

// known keeps the members of each type, since reflection is slow.
var known sync.Map

// fields gives a struct's members, those of embedded structs included.
func fields(of reflect.Type) []field {
	if list, there := known.Load(of); there {
		return list.([]field)
	}
	list := fieldsOf(of)
	known.Store(of, list)
	return list
}

func fieldsOf(of reflect.Type) []field {
	var list []field
	for _, f := range reflect.VisibleFields(of) {
		name, options, tagged := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" || !f.IsExported() || name == "-" {
			continue
		}
		if name == "" {
			name = f.Name
		}
		list = append(list, field{name, f.Type, !tagged || !strings.Contains(options, "omit")})
	}
	return list
}
