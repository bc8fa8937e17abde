package plain

import (
	"unicode"

	"golang.org/x/text/width"
)

// Columns gives how many columns of a terminal a text takes in which nothing
// acts.
func Columns(s string) int {
	n := 0
	for _, r := range s {
		n += columnsOf(r)
	}
	return n
}

// columnsOf gives none for combining marks, two for the wide characters of
// Unicode's annex 11.
func columnsOf(r rune) int {
	if r < 0x80 {
		return 1
	}
	if unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf) {
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	default:
		return 1
	}
}
