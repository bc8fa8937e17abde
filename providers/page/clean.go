package page

import (
	"reflect"

	"lendkeep/spec/plain"
)

// mostText bounds each text on the page, in bytes: a guest may call a partition
// whatever fits a table, a file may claim any name.
const mostText = 2 << 10

// harmless makes every text at whatever depth of a value harmless and bounds it.
// What means something in HTML is the template's matter.
func harmless(value any) { clean(reflect.ValueOf(value).Elem()) }

func clean(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			clean(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				clean(v.Field(i))
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			clean(v.Index(i))
		}
	case reflect.String:
		v.SetString(plain.Text(plain.Cut(v.String(), mostText)))
	}
}
