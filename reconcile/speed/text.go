package speed

import (
	"fmt"
	"reflect"
	"strings"
	"unicode/utf8"

	"lendkeep/spec/plain"
)

// MaxText bounds every text of a result, in bytes.
const MaxText = 256

// Text makes of a text from outside one that a result may hold: nothing in it acts,
// and it is cut at MaxText.
func Text(s string) string {
	s = strings.TrimSpace(plain.Text(s))
	for len(s) > MaxText {
		_, size := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-size]
	}
	return strings.TrimSpace(s)
}

// texts looks at every text of the result, whatever field it is in.
func (r Result) texts() error { return texts(reflect.ValueOf(r)) }

func texts(v reflect.Value) error {
	switch v.Kind() {
	case reflect.String:
		if s := v.String(); s != Text(s) {
			return fmt.Errorf("text %.40q: want at most %d bytes in which no character acts", s, MaxText)
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return texts(v.Elem())
		}
	case reflect.Slice:
		for i := range v.Len() {
			if err := texts(v.Index(i)); err != nil {
				return err
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if err := texts(v.Field(i)); err != nil {
				return err
			}
		}
	}
	return nil
}
