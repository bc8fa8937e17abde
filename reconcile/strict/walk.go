package strict

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// walk goes once through all tokens of a text.
type walk struct{ *json.Decoder }

// value reads one value; at says where it is, for errors, and of which members
// it must have.
func (w walk) value(at string, of *members, depth int) error {
	token, err := w.Token()
	if err != nil {
		return err
	}
	if depth > deepest {
		return fmt.Errorf("more than %d objects and lists stand in one another", deepest)
	}
	switch token {
	case json.Delim('{'):
		return w.object(at, of, depth)
	case json.Delim('['):
		return w.list(at, of, depth)
	case nil:
		if of != nil && of.needed {
			return fmt.Errorf("%s is null", brief(at))
		}
	}
	return nil
}

func (w walk) list(at string, of *members, depth int) error {
	for n := 1; w.More(); n++ {
		if err := w.value(at+" "+strconv.Itoa(n), of.each(), depth+1); err != nil {
			return err
		}
	}
	_, err := w.Token()
	return err
}

func (w walk) object(at string, of *members, depth int) error {
	seen := map[string]bool{}
	for w.More() {
		token, err := w.Token()
		if err != nil {
			return err
		}
		key, _ := token.(string) // the decoder takes nothing else here
		place := strings.TrimSpace(at + " " + key)
		if seen[fold(key)] {
			return fmt.Errorf("%s is there twice", brief(place))
		}
		seen[fold(key)] = true
		inner, err := of.member(key)
		if err != nil {
			return fmt.Errorf("%s: %w", brief(place), err)
		}
		if err := w.value(place, inner, depth+1); err != nil {
			return err
		}
	}
	for _, name := range of.always() {
		if !seen[fold(name)] {
			return fmt.Errorf("%s is missing", brief(strings.TrimSpace(at+" "+name)))
		}
	}
	_, err := w.Token()
	return err
}

// fold makes those keys equal that encoding/json takes for the same member
// (encoding/json fold.go: the smallest rune of each orbit).
func fold(key string) string {
	return strings.Map(func(r rune) rune {
		least := r
		for next := unicode.SimpleFold(r); next != r; next = unicode.SimpleFold(next) {
			least = min(least, next)
		}
		return least
	}, key)
}
