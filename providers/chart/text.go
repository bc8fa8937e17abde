package chart

import (
	"strings"

	"lendkeep/spec/plain"
)

// shown gives a text that XML can hold: of what does not act, it has no place for two
// characters (XML 1.0, 2.2).
func shown(text string) string {
	return strings.NewReplacer("\ufffe", "\ufffd", "\uffff", "\ufffd").Replace(plain.Text(text))
}

// noteCharacters are what a line below the panels has room for.
const noteCharacters = 130

// cut keeps a name within its column.
func cut(name string) string {
	runes := []rune(name)
	if len(runes) <= most {
		return name
	}
	return string(runes[:most-1]) + "…"
}

// lines breaks a text between words, and a word that is too long within it.
func lines(text string, most int) []string {
	var list []string
	row := ""
	for _, word := range strings.Fields(text) {
		for runes := []rune(word); len(runes) > most; runes = []rune(word) {
			list = append(list, strings.TrimSpace(row), string(runes[:most]))
			row, word = "", string(runes[most:])
		}
		if row != "" && len([]rune(row))+1+len([]rune(word)) > most {
			list, row = append(list, row), ""
		}
		row = strings.TrimSpace(row + " " + word)
	}
	return append(list, row)
}
