package facts

import (
	"cmp"
	"path"
	"strings"
)

// LedOut tells where the name of a file leads when a link that lies below a place
// takes it out of there; empty where none does. unknown says why that is not known
// of a name below the place. Who may write below it may put a link there at any
// time; somebody else's links, above it or elsewhere, are not meant.
func (ix *Index) LedOut(named, place string) (to, unknown string) {
	p := ix.paths[named]
	if p == nil || p.Resolved == "" {
		if !below(path.Clean(named), place) {
			return "", ""
		}
		if p == nil {
			return "", "nobody has looked"
		}
		return "", cmp.Or(p.Gap, "nobody has looked")
	}
	inside := false
	for _, at := range append(p.Via[:len(p.Via):len(p.Via)], p.Resolved) {
		if inside && at != place && !below(at, place) {
			return at, ""
		}
		inside = inside || below(at, place)
	}
	return "", ""
}

// below tells whether a clean path is below another.
func below(named, place string) bool {
	return strings.HasPrefix(named, strings.TrimSuffix(place, "/")+"/")
}
