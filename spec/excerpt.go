package spec

import (
	"bytes"
	"slices"
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

// lines gives the source line and the line of carets, both indented; nothing for
// an empty excerpt. What is wider than so many columns is shortened around what is
// meant; 0 is no bound.
func (e Excerpt) lines(indent string, columns int) string {
	e.Before = strings.TrimLeft(e.Before, " \t")
	if e.Before+e.Meant+e.After == "" {
		return ""
	}
	e.After = strings.TrimRight(e.After, " \t")
	if room := columns - len(indent); columns > 0 {
		e = e.within(max(room, leastExcerpt))
	}
	carets := strings.Repeat("^", max(plain.Columns(e.Meant), 1))
	source := strings.TrimRight(e.Before+e.Meant+e.After, " \t")
	return indent + source + "\n" + indent + blank(e.Before) + carets + "\n"
}

// leastExcerpt is how many columns an excerpt takes at least where it has so many.
const leastExcerpt = 12

// within shortens an excerpt: first what is meant, then what is before and after it,
// of which both keep half of the room, or what the other leaves.
func (e Excerpt) within(columns int) Excerpt {
	e.Meant = fitting(e.Meant, columns)
	room := columns - max(plain.Columns(e.Meant), 1)
	before, after := plain.Columns(e.Before), plain.Columns(e.After)
	if before+after <= room {
		return e
	}
	after = min(after, max(room/2, room-before))
	e.After = fitting(e.After, after)
	e.Before = reversed(fitting(reversed(e.Before), room-after))
	return e
}

// left stands where something was left out: dots that every locale has.
const left = "..."

// fitting gives the beginning of a text that takes no more than so many columns.
func fitting(text string, columns int) string {
	if plain.Columns(text) <= columns {
		return text
	}
	kept, at := "", 0
	for _, r := range text {
		at += plain.Columns(string(r))
		if at > columns-len(left) {
			break
		}
		kept += string(r)
	}
	return kept + left[:max(0, min(len(left), columns))]
}

func reversed(text string) string {
	runes := []rune(text)
	slices.Reverse(runes)
	return string(runes)
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
