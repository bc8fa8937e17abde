package plain

import "strings"

// Quoted writes a word of a command as a POSIX shell takes it (POSIX.1-2017, Shell
// Command Language, 2.2.2): as it is, or in single quotes, in which nothing but
// they themselves acts.
func Quoted(word string) string {
	if isBare(word) {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// bare are the characters that have no meaning for a shell. A leading ~ or - has
// one, for it or for the command.
const bare = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_@%+=:,./~-"

func isBare(word string) bool {
	return word != "" && word[0] != '~' && word[0] != '-' &&
		!strings.ContainsFunc(word, func(r rune) bool { return !strings.ContainsRune(bare, r) })
}
