package main

import (
	"fmt"
	"io"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/spec/plain"
)

// text collects what is printed and the first error in doing so. Values are
// made harmless before they become part of a line.
type text struct {
	w   io.Writer
	err error
}

func (t *text) line(format string, values ...any) {
	if t.err == nil {
		t.err = screen.On(t.w).Line(fmt.Sprintf(format, plain.Values(values)...), callsIn(values)...)
	}
}

// prose prints paragraphs that are broken into lines already.
func (t *text) prose(format string, values ...any) {
	if t.err == nil {
		t.err = screen.On(t.w).Prose(fmt.Sprintf(format, plain.Values(values)...))
	}
}

// marked is line with a head that is drawn in a style.
func (t *text) marked(style screen.Style, head, format string, values ...any) {
	if t.err == nil {
		t.err = screen.On(t.w).Marked(style, head, fmt.Sprintf(format, plain.Values(values)...))
	}
}

// table prints rows in columns under their headings.
func (t *text) table(rows [][]string) {
	if t.err == nil {
		t.err = screen.On(t.w).Table(rows)
	}
}

// count gives a number of things in words.
func count(n int, thing string) string {
	if n == 0 {
		return "no " + thing
	}
	return plain.Count(n, thing)
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}
