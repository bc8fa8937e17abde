package spec

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agext/levenshtein"
	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// The kinds of block that other blocks refer to.
const (
	kindController = "controller"
	kindShim       = "shim"
	kindGuest      = "guest"
	kindShift      = "shift"
)

// What else the first word of a reference can be.
const (
	rootValue  = "value"
	rootSurvey = "survey"
)

// names are the names of one kind in the order of the files, and where each is
// first stated.
type names struct {
	list []string
	at   map[string]hcl.Range
}

func newNames() *names { return &names{at: map[string]hcl.Range{}} }

// add takes a name in; it tells where it was stated before, if it was.
func (n *names) add(name string, at hcl.Range) (first hcl.Range, taken bool) {
	if first, taken = n.at[name]; taken {
		return first, true
	}
	n.list = append(n.list, name)
	n.at[name] = at
	return hcl.Range{}, false
}

func (n *names) has(name string) bool {
	_, ok := n.at[name]
	return ok
}

// learnNames collects what may be referred to, from all files, so that the
// order of blocks does not matter. A second block of the same name is an error.
func (r *reader) learnNames(blocks []*hclsyntax.Block) {
	for _, kind := range []string{kindController, kindShim, kindGuest, kindShift} {
		r.names[kind] = newNames()
	}
	for _, b := range blocks {
		known, ok := r.names[b.Type]
		if !ok || len(b.Labels) != 1 {
			continue
		}
		name := b.Labels[0]
		if first, taken := known.add(name, b.LabelRanges[0]); taken {
			r.refuse(b.LabelRanges[0], fmt.Sprintf("second %s named %q", b.Type, name),
				fmt.Sprintf("The first one is at %s. Names are unique within their kind.", placeOf(first)),
				"rename one of them, or merge the two blocks")
		}
	}
}

// reference writes the name of a thing as a layout refers to it.
func reference(kind, name string) string {
	if hclsyntax.ValidIdentifier(name) {
		return kind + "." + name
	}
	return fmt.Sprintf("%s[%q]", kind, name)
}

// Suggestions cost time for every pair of names, so they are made for the first
// mistakes only, and for names that people can tell apart at all.
const (
	suggestedMistakes = 100
	suggestedLength   = 64
)

func (r *reader) suggests() bool { return len(r.diags) <= suggestedMistakes }

// nearest is Nearest for the first mistakes.
func (r *reader) nearest(name string, candidates []string) string {
	if !r.suggests() {
		return ""
	}
	return Nearest(name, candidates)
}

// Nearest gives the candidate most like a name that somebody has written, or "" if
// none is like it. Of equally near ones the first is taken.
func Nearest(name string, candidates []string) string {
	if len(name) > suggestedLength {
		return ""
	}
	// A swap of two letters has distance 2; of a short name, something must stay.
	runes := len([]rune(name))
	best, bestDistance := "", min(1+max(2, runes/3), runes)
	for _, c := range candidates {
		if len(c) > suggestedLength {
			continue
		}
		distance := levenshtein.Distance(strings.ToLower(name), strings.ToLower(c), nil)
		if distance < bestDistance {
			best, bestDistance = c, distance
		}
	}
	return best
}

// listed writes up to eight names into a sentence.
func listed(all []string) string {
	const shown = 8
	if len(all) <= shown {
		return strings.Join(all, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(all[:shown], ", "), len(all)-shown)
}

// without gives the names that are not among the taken ones; all of them if
// none would be left.
func without(all, taken []string) []string {
	free := slices.DeleteFunc(slices.Clone(all), func(n string) bool { return slices.Contains(taken, n) })
	if len(free) == 0 {
		return all
	}
	return free
}

// quoted writes two or more allowed values: "a", "b" or "c".
func quoted(all []string) string {
	parts := make([]string, len(all))
	for i, a := range all {
		parts[i] = fmt.Sprintf("%q", a)
	}
	return strings.Join(parts[:len(parts)-1], ", ") + " or " + parts[len(parts)-1]
}
