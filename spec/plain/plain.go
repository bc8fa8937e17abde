// Package plain makes text that came from outside harmless to whoever reads it:
// guests write partition names, labels and boot entries, other users write
// files, and a terminal, a log or a unit acts on control characters in them.
// Start at Text; Writer stands behind it at the edge of the program.
package plain

import (
	"bytes"
	"fmt"
	"io"
	"reflect"
	"strings"
	"unicode"
	"unicode/utf8"
)

// acts tells whether a character does something instead of being seen: control
// characters with line ends and tabs (Unicode category Cc), format characters
// such as those that turn the direction of writing (Cf), line and paragraph
// separators (Zl, Zp). See Unicode Technical Report 36, 2.10 and 3.6.
func acts(r rune) bool {
	return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
}

// Text gives a text as one line in which nothing acts: such characters, and
// bytes that are no UTF-8, are shown by their numbers.
func Text(s string) string { return replaced(s, acts, shown) }

// Lined is Text for a text of several lines: line feeds and tabs stay.
func Lined(s string) string {
	return replaced(s, func(r rune) bool { return r != '\n' && r != '\t' && acts(r) }, shown)
}

// ASCII shows every other character by its number.
func ASCII(s string) string {
	return replaced(s, func(r rune) bool { return r > unicode.MaxASCII }, shown)
}

// shown writes a character by its number; size is 1 for a byte that is no UTF-8.
func shown(r rune, raw string) string {
	if r < 0x100 || r == utf8.RuneError && len(raw) == 1 {
		if r == utf8.RuneError {
			r = rune(raw[0])
		}
		return fmt.Sprintf(`\x%02x`, r)
	}
	return fmt.Sprintf("<U+%04X>", r)
}

// replaced replaces what acts and what is no UTF-8.
func replaced(s string, bad func(rune) bool, by func(r rune, raw string) string) string {
	first := strings.IndexFunc(s, func(r rune) bool { return bad(r) || r == utf8.RuneError })
	if first < 0 {
		return s
	}
	var made strings.Builder
	for at := 0; at < len(s); {
		r, size := utf8.DecodeRuneInString(s[at:])
		raw := s[at : at+size]
		if bad(r) || r == utf8.RuneError && size == 1 {
			raw = by(r, raw)
		}
		made.WriteString(raw)
		at += size
	}
	return made.String()
}

// Shown is Text, and no longer than anybody reads: a name in a file may have many
// megabytes.
func Shown(s string) string { return Text(Cut(s, mostShown)) }

// Cut gives a text of which no more than so many bytes are left, and says how many
// are missing.
func Cut(s string, most int) string {
	more := len(s) - most
	if more <= 0 {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "... (and " + Count(more, "more byte") + ")"
}

// mostShown is in bytes; a list of the steps of a large order is well below.
const mostShown = 64 << 10

// Values makes every text among the values of a format harmless, and bounds it.
// What is neither text nor number is written with %v first.
func Values(values []any) []any {
	made := make([]any, len(values))
	for i, value := range values {
		made[i] = harmless(value)
	}
	return made
}

func harmless(value any) any {
	switch v := value.(type) {
	case string:
		return Shown(v)
	case error:
		return Shown(v.Error())
	case fmt.Stringer:
		return Shown(v.String())
	}
	switch kind := reflect.ValueOf(value).Kind(); {
	case kind >= reflect.Bool && kind <= reflect.Float64:
		return value
	default:
		return Shown(fmt.Sprint(value))
	}
}

// JSON writes the characters that act as escapes. It is for the bytes of whole
// JSON texts, in which they can stand in strings only, and leaves their layout.
func JSON(content []byte) []byte {
	bad := func(r rune) bool { return r != '\n' && r != '\t' && acts(r) }
	if bytes.IndexFunc(content, func(r rune) bool { return bad(r) || r == utf8.RuneError }) < 0 {
		return content
	}
	return []byte(replaced(string(content), bad, func(r rune, raw string) string {
		if r < 0x10000 {
			return fmt.Sprintf(`\u%04x`, r)
		}
		r -= 0x10000
		return fmt.Sprintf(`\u%04x\u%04x`, 0xd800+r>>10, 0xdc00+r&0x3ff)
	}))
}

// Writer lets through what people may see, line feeds and tabs. It knows no
// values, so a line feed within one must not have come as far.
type Writer struct{ Out io.Writer }

// Write implements io.Writer. Characters must not be cut between two writes.
func (w Writer) Write(p []byte) (int, error) {
	return written(w.Out, p, Lined(string(p)))
}

// Lines is a Writer for those that write one line at a time, such as logs: no
// other line feed than the last is let through.
type Lines struct{ Out io.Writer }

// Write implements io.Writer.
func (w Lines) Write(p []byte) (int, error) {
	line, ended := strings.CutSuffix(string(p), "\n")
	line = Text(line)
	if ended {
		line += "\n"
	}
	return written(w.Out, p, line)
}

// JSONLines is Lines for logs in JSON.
type JSONLines struct{ Out io.Writer }

// Write implements io.Writer.
func (w JSONLines) Write(p []byte) (int, error) { return written(w.Out, p, string(JSON(p))) }

// written tells the length of what was given, whatever became of it.
func written(out io.Writer, given []byte, text string) (int, error) {
	if _, err := io.WriteString(out, text); err != nil {
		return 0, err
	}
	return len(given), nil
}
