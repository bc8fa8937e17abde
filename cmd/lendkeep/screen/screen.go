// Package screen shows text where it is read: on a terminal no wider than that,
// no word cut, and coloured where that is wanted; in a pipe or a file as it is,
// one row a line. Start at Screen.
package screen

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"lendkeep/spec/plain"
)

// Screen is what one output of the program goes to. All that is shown is made
// harmless; only the marks are the screen's own.
type Screen struct {
	out      io.Writer
	terminal *os.File // nil: a pipe or a file
	colour   string   // when styles are drawn; empty: never
	ascii    bool     // nothing else can be shown
}

// New gives the screen behind an output.
func New(out io.Writer) *Screen {
	s := &Screen{out: out, ascii: !utf8()}
	if file, ok := out.(*os.File); ok && term.IsTerminal(int(file.Fd())) {
		s.terminal = file
	}
	return s
}

// On gives the screen that a writer is, or one of its own.
func On(w io.Writer) *Screen {
	if s, ok := w.(*Screen); ok {
		return s
	}
	return New(w)
}

// Beside gives the screen of another output, coloured where this one would be.
func (s *Screen) Beside(out io.Writer) *Screen {
	other := New(out)
	other.colour = s.colour
	return other
}

// Write implements io.Writer for what is not to be wrapped, such as JSON.
// Characters must not be cut between two writes.
func (s *Screen) Write(p []byte) (int, error) { return plain.Writer{Out: s.out}.Write(p) }

// unknownWidth is that of a terminal that does not say it: what terminals have
// had since the DEC VT100 (its User Guide, chapter 1).
const unknownWidth = 80

// Width gives how many columns there are, asked anew since it may change; 0 is
// no bound.
func (s *Screen) Width() int {
	if s.terminal == nil {
		return 0
	}
	if columns, _, err := term.GetSize(int(s.terminal.Fd())); err == nil && columns > 0 {
		return columns
	}
	return unknownWidth
}

// Line shows a line, or several. Calls are command lines in it, which can be copied
// off the screen.
func (s *Screen) Line(text string, calls ...string) error {
	for i, call := range calls {
		calls[i] = s.Clean(call)
	}
	return s.put(s.wrapped(whole(s.Clean(text), calls)))
}

// Marked shows a line that begins with head, which is drawn in a style.
func (s *Screen) Marked(style Style, head, rest string) error {
	text := s.wrapped(s.Clean(head + rest))
	if s.coloured() && head != "" && strings.HasPrefix(text, head) {
		text = style.draw(head) + text[len(head):]
	}
	return s.put(text)
}

// wrapped breaks each line of a text.
func (s *Screen) wrapped(text string) string {
	var made strings.Builder
	for line := range strings.SplitSeq(text, "\n") {
		for _, part := range wrap(line, s.Width()) {
			made.WriteString(spaces.Replace(part) + "\n")
		}
	}
	return made.String()
}

// Prose shows a text of paragraphs, lists and examples, whose lines were broken
// for some other width.
func (s *Screen) Prose(text string) error { return s.put(reflow(s.Clean(text), s.Width())) }

// Lines gives a writer of whole lines and of questions, which are shown as prose.
func (s *Screen) Lines() io.Writer { return lines{s} }

type lines struct{ on *Screen }

// Write implements io.Writer.
func (l lines) Write(p []byte) (int, error) {
	if err := l.on.Prose(string(p)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// Table shows rows in columns under their headings, the first row.
func (s *Screen) Table(rows [][]string) error {
	clean := make([][]string, len(rows))
	for i, row := range rows {
		for _, cell := range row {
			clean[i] = append(clean[i], s.Clean(plain.Shown(cell)))
		}
	}
	return s.put(strings.Join(arranged(clean, s.Width()), "\n") + "\n")
}

// Clean makes a text harmless, and such that it can be shown.
func (s *Screen) Clean(text string) string {
	text = plain.Lined(text)
	if s.ascii {
		return plain.ASCII(strings.ReplaceAll(text, "…", "..."))
	}
	return text
}

// utf8 tells whether people read UTF-8 here, by the first of the variables that
// is not empty (POSIX.1-2024, Base Definitions, 8.2); of none it is the C locale.
func utf8() bool {
	locale := strings.ToLower(cmp.Or(os.Getenv("LC_ALL"), os.Getenv("LC_CTYPE"), os.Getenv("LANG")))
	return strings.Contains(locale, "utf-8") || strings.Contains(locale, "utf8")
}

// put writes what was made harmless.
func (s *Screen) put(text string) error {
	if _, err := io.WriteString(s.out, text); err != nil {
		return fmt.Errorf("show: %w", err)
	}
	return nil
}
