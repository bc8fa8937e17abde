package strict

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"time"
)

// What an error repeats of a text, and all that it says, in bytes: a text that is
// wrong may have many megabytes.
const (
	mostQuoted = 200
	mostSaid   = 600
)

func brief(text string) string { return cut(text, mostQuoted) }

func cut(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}

// at says in which line something was found. offset counts bytes.
func at(content []byte, offset int64, err error) error {
	return fmt.Errorf("line %d: %w", 1+bytes.Count(content[:min(offset, int64(len(content)))], []byte("\n")), err)
}

// inWords says what encoding/json and the types of values have found wrong, without
// Go's names for them: which key, what was wanted and what is there.
func inWords(err error) error {
	var kind *json.UnmarshalTypeError
	var syntax *json.SyntaxError
	var when *time.ParseError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("it ends before it is whole")
	case errors.As(err, &syntax):
		return fmt.Errorf("it is no JSON: %s", brief(syntax.Error()))
	case errors.As(err, &kind):
		where := cmp.Or(brief(strings.ReplaceAll(kind.Field, ".", " ")), "it")
		return fmt.Errorf("%s: want %s, not %s", where, wanted(kind.Type), found(kind.Value))
	case errors.As(err, &when), strings.HasPrefix(err.Error(), "Time."):
		return errors.New("want a time such as 2026-11-25T06:00:00Z")
	}
	if name, unknown := strings.CutPrefix(err.Error(), "json: unknown field "); unknown {
		return fmt.Errorf("%s: nothing of that name is known here", brief(name))
	}
	if text := err.Error(); len(text) > mostSaid {
		return errors.New(cut(text, mostSaid))
	}
	return err
}

// wanted says what a type holds.
func wanted(of reflect.Type) string {
	for of.Kind() == reflect.Pointer {
		of = of.Elem()
	}
	switch kind := of.Kind(); {
	case kind == reflect.Bool:
		return "true or false"
	case kind >= reflect.Int && kind <= reflect.Int64:
		return fmt.Sprintf("a whole number of %d bits", of.Bits())
	case kind >= reflect.Uint && kind <= reflect.Uint64:
		return fmt.Sprintf("a whole number of %d bits, not below 0", of.Bits())
	case kind == reflect.Float32, kind == reflect.Float64:
		return "a number"
	case kind == reflect.Slice, kind == reflect.Array:
		return "a list"
	case kind == reflect.Struct, kind == reflect.Map:
		return "an object"
	default:
		return "a text"
	}
}

// found says what encoding/json calls a value.
func found(value string) string {
	switch value {
	case "string":
		return "a text"
	case "array":
		return "a list"
	case "object":
		return "an object"
	case "bool":
		return "true or false"
	default:
		return brief(value) // "number", or which one
	}
}
