package boots

import (
	"slices"
	"strings"
)

// unsure stands in a word for what is not known. No file's own byte is one.
const unsure = '\x00'

// certain is a text without that mark.
func certain(text string) string { return strings.ReplaceAll(text, string(unsure), "?") }

// grubCommands splits a GRUB script into its commands, each at least one word. A
// brace that opens or closes a block ends a command and is its last, or only, word.
func grubCommands(text string, value func(name string) string) [][]string {
	l := &grubLexer{text: certain(text), value: value}
	for l.next() {
	}
	l.endCommand()
	return l.commands
}

// grubLexer reads a script (GRUB manual, "Quoting": as a shell does).
type grubLexer struct {
	text     string
	at       int
	value    func(string) string
	word     strings.Builder
	begun    bool // a word has begun, maybe an empty one
	words    []string
	commands [][]string
}

func (l *grubLexer) endWord() {
	if l.begun {
		l.words = append(l.words, l.word.String())
	}
	l.word.Reset()
	l.begun = false
}

// leading are words of conditions and loops that may stand before a command.
var leading = []string{"then", "else", "do", "!"}

func (l *grubLexer) endCommand() {
	l.endWord()
	for len(l.words) > 1 && slices.Contains(leading, l.words[0]) {
		l.words = l.words[1:]
	}
	if len(l.words) > 0 {
		l.commands = append(l.commands, l.words)
	}
	l.words = nil
}

// next takes one piece, and tells whether there was one.
func (l *grubLexer) next() bool {
	if l.at >= len(l.text) {
		return false
	}
	c := l.text[l.at]
	l.at++
	switch {
	case c == '\n' || c == ';':
		l.endCommand()
	case c == ' ' || c == '\t' || c == '\r':
		l.endWord()
	case c == '#' && !l.begun:
		if l.at += strings.IndexByte(l.text[l.at:]+"\n", '\n'); l.at > len(l.text) {
			l.at = len(l.text)
		}
	case (c == '{' || c == '}') && !l.begun:
		if c == '}' {
			l.endCommand()
		}
		l.words = append(l.words, string(c))
		l.endCommand()
	default:
		l.begun = true
		l.piece(c)
	}
	return true
}

// piece takes a part of a word.
func (l *grubLexer) piece(c byte) {
	switch c {
	case '\\':
		l.escaped()
	case '\'':
		inside, _, _ := strings.Cut(l.text[l.at:], "'")
		l.at = min(len(l.text), l.at+len(inside)+1)
		l.word.WriteString(inside)
	case '"':
		for l.at < len(l.text) && l.text[l.at] != '"' {
			c := l.text[l.at]
			l.at++
			switch c {
			case '\\':
				l.escaped()
			case '$':
				l.variable()
			default:
				l.word.WriteByte(c)
			}
		}
		l.at++
	case '$':
		l.variable()
	default:
		l.word.WriteByte(c)
	}
}

// escaped takes the character behind a backslash; a line end so is none.
func (l *grubLexer) escaped() {
	if l.at < len(l.text) {
		if c := l.text[l.at]; c != '\n' {
			l.word.WriteByte(c)
		}
		l.at++
	}
}

func (l *grubLexer) variable() {
	rest := l.text[l.at:]
	if inside, ok := strings.CutPrefix(rest, "{"); ok {
		name, _, _ := strings.Cut(inside, "}")
		l.at = min(len(l.text), l.at+len(name)+2)
		l.word.WriteString(l.value(name))
		return
	}
	n := strings.IndexFunc(rest, func(r rune) bool {
		return r != '_' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	})
	if n < 0 {
		n = len(rest)
	}
	if n == 0 {
		l.word.WriteByte('$')
		return
	}
	l.at += n
	l.word.WriteString(l.value(rest[:n]))
}
