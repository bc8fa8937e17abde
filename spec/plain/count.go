package plain

import "strconv"

// Count writes a number with its noun, of which the plural is made by an s: 1 step,
// 4 steps. What is between them, as in 2 other guests, belongs to the noun.
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
