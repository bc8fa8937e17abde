package twin

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// A new fact is either copied or listed: every field of a survey has a fate, and no
// fate is of a field that is gone.
func TestEveryFactHasAFate(t *testing.T) {
	seen := map[string]bool{}
	var walk func(of reflect.Type)
	walk = func(of reflect.Type) {
		for of.Kind() == reflect.Slice || of.Kind() == reflect.Pointer {
			of = of.Elem()
		}
		if of.Kind() != reflect.Struct {
			return
		}
		for i := range of.NumField() {
			name := of.Name() + "." + of.Field(i).Name
			if seen[name] {
				continue
			}
			seen[name] = true
			f := fates[name]
			assert.NotEqual(t, undecided, f.kind, "%s: say in fates.go what becomes of it in a twin", name)
			assert.Equal(t, f.kind == listed, f.twin != "" && f.hides != "", name)
			if f.kind == within {
				walk(of.Field(i).Type)
			}
		}
	}
	walk(reflect.TypeFor[facts.Survey]())
	walk(reflect.TypeFor[facts.Machine]())
	for name := range fates {
		assert.True(t, seen[name], "%s is no fact", name)
	}
}
