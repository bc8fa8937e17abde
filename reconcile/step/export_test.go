package step

import (
	"maps"
	"slices"
)

// Kinds names every kind of step.
func Kinds() []string { return slices.Sorted(maps.Keys(kinds)) }
