package spec

import (
	"bytes"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"

	"lendkeep/spec/plain"
)

// How many bytes of a long source line are kept before what is meant, of it,
// and after it.
const (
	keptBefore = 80
	keptMeant  = 120
	keptAfter  = 60
)

// excerpt cuts the line on which rng starts out of src. Of a range over
// several lines the part on the first one is marked.
func excerpt(src []byte, rng hcl.Range) Excerpt {
	from := min(max(rng.Start.Byte, 0), len(src))
	to := min(max(rng.End.Byte, from), len(src))
	// Only what can be shown is looked at: a file may be one long line.
	before, cut := src[max(from-keptBefore, 0):from], from > keptBefore
	if n := bytes.LastIndexByte(before, '\n'); n >= 0 {
		before, cut = before[n+1:], false
	}
	e := Excerpt{Before: printable(before), Meant: start(src[from:to], keptMeant)}
	if cut {
		e.Before = "…" + e.Before
	}
	if bytes.IndexByte(src[from:min(to, from+keptMeant)], '\n') < 0 {
		e.After = start(src[to:], keptAfter)
	}
	return e
}

// start gives the first line of text, shortened.
func start(text []byte, limit int) string {
	shown := text[:min(limit, len(text))]
	if n := bytes.IndexByte(shown, '\n'); n >= 0 {
		return printable(bytes.TrimSuffix(shown[:n], []byte("\r")))
	}
	if len(shown) < len(text) {
		return printable(shown) + "…"
	}
	return printable(bytes.TrimSuffix(shown, []byte("\r")))
}

// quote gives text of a file for a sentence about it: one line, shortened. What is
// cut off is marked.
func quote(text []byte) string {
	text = bytes.TrimSpace(text)
	shown := start(text, keptMeant)
	if bytes.IndexByte(text, '\n') >= 0 && !strings.HasSuffix(shown, "…") {
		shown += "…"
	}
	return shown
}

// printable keeps what a terminal only shows: a layout is text from somewhere
// else, and an escape sequence in it must not act on the reader's screen.
func printable(text []byte) string {
	return strings.Map(func(r rune) rune {
		if r == '\t' || unicode.IsPrint(r) {
			return r
		}
		return utf8.RuneError
	}, string(text))
}

// lines gives the source line and the line of carets, both indented; nothing
// for an empty excerpt.
func (e Excerpt) lines(indent string) string {
	before := strings.TrimLeft(e.Before, " \t")
	if before+e.Meant+e.After == "" {
		return ""
	}
	carets := strings.Repeat("^", max(plain.Columns(e.Meant), 1))
	source := strings.TrimRight(before+e.Meant+e.After, " \t")
	return indent + source + "\n" + indent + blank(before) + carets + "\n"
}

// blank gives white space as wide as text, tabs kept.
func blank(text string) string {
	var out strings.Builder
	for _, r := range text {
		if r == '\t' {
			out.WriteRune(r)
			continue
		}
		out.WriteString(strings.Repeat(" ", plain.Columns(string(r))))
	}
	return out.String()
}
