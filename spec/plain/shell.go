package plain

import (
	"regexp"
	"strings"
)

// Quoted writes a word of a command as a POSIX shell takes it (POSIX.1-2017, Shell
// Command Language, 2.2.2): as it is, or in single quotes, in which nothing but
// they themselves acts.
func Quoted(word string) string {
	if bare.MatchString(word) {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// bare are words in which nothing has a meaning for a shell. A leading ~ or - has
// one, for it or for the command.
var bare = regexp.MustCompile(`^[A-Za-z0-9_@%+=:,./][A-Za-z0-9_@%+=:,./~-]*$`)
