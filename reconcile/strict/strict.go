// Package strict reads JSON that somebody else may have written or changed.
// encoding/json takes the last of two equal keys, keys in another letter case,
// and whatever follows the end; here each is an error, and so is more than a
// bound. Start at Read.
package strict

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"unicode/utf8"
)

// deepest is how many objects and lists may stand in one another: the deepest
// file of the project's own, an order in which a definition is wanted, has 14.
const deepest = 64

// Read decodes one JSON value of at most most bytes. A key that the target
// lacks, a key twice, anything after the end, and text that is no UTF-8 are
// errors.
func Read(content []byte, most int, into any) error {
	return read(content, most, into, &members{of: reflect.TypeOf(into)})
}

// ReadWhole is Read, and refuses what lacks a member that the target's type
// always writes: one without omitempty or omitzero, at any depth. null counts
// as lacking.
func ReadWhole(content []byte, most int, into any) error {
	return read(content, most, into, &members{of: reflect.TypeOf(into), whole: true, needed: true})
}

// ReadSome is Read, but keys that the target lacks are passed over: for formats
// of others, which grow, and for what a file says of its own version.
func ReadSome(content []byte, most int, into any) error {
	return read(content, most, into, nil)
}

func read(content []byte, most int, into any, of *members) error {
	if err := check(content, most, of); err != nil {
		return err
	}
	err := decode(content, into, of != nil)
	var kind *json.UnmarshalTypeError
	if errors.As(err, &kind) {
		return at(content, kind.Offset, inWords(err))
	}
	return inWords(err)
}

// ReadInner decodes a part of a text that was read strictly, and kept as it
// was: only a key that the target lacks is left to be refused.
func ReadInner(content []byte, into any) error {
	return inWords(decode(content, into, true))
}

func decode(content []byte, into any, known bool) error {
	decoder := json.NewDecoder(bytes.NewReader(content))
	if known {
		decoder.DisallowUnknownFields()
	}
	return decoder.Decode(into)
}

func check(content []byte, most int, of *members) error {
	switch {
	case len(content) > most:
		return fmt.Errorf("%d bytes are more than the %d that are read", len(content), most)
	case !utf8.Valid(content):
		return errors.New("it is no UTF-8 text")
	}
	w := walk{json.NewDecoder(bytes.NewReader(content))}
	w.UseNumber()
	err := w.value("", of, 0)
	if err == nil {
		if _, err = w.Token(); errors.Is(err, io.EOF) {
			return nil
		}
		err = errors.New("something follows its end")
	}
	return at(content, w.InputOffset(), inWords(err))
}
