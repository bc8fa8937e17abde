package spec

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"lendkeep/spec/plain"
)

// Severities of a diagnostic: an error means that there is no Layout.
const (
	SeverityError   = "error"
	SeverityWarning = "warning"
)

// summaryLimit is how many characters a summary may have, so that it stays on
// one line beside file, line and column.
const summaryLimit = 60

// sayingLimit is how many characters a detail or a hint may have: names may be as
// long as a file.
const sayingLimit = 1000

// Diagnostic is one thing that is wrong with a layout, said where it is wrong.
type Diagnostic struct {
	Severity string  `json:"severity"` // SeverityError or SeverityWarning
	Summary  string  `json:"summary"`  // at most 60 characters
	Detail   string  `json:"detail,omitempty"`
	Hint     string  `json:"hint,omitempty"` // what to write or do instead
	At       Place   `json:"at"`             // zero: the layout as a whole
	Source   Excerpt `json:"source"`
	// Following is how many more mistakes the parser met in this file: after one
	// that it cannot read past, most only follow from that.
	Following int `json:"following,omitempty"`
}

// Excerpt is the source line a diagnostic is about, cut in three so that what
// is meant can be marked without counting columns. It is free of control
// characters but tabs, and long lines are shortened.
type Excerpt struct {
	Before string `json:"before"`
	Meant  string `json:"meant"` // empty: the place between Before and After
	After  string `json:"after"`
}

// Diagnostics are all that is wrong with a layout, sorted by place. They serve
// as an error where one is wanted, but an empty list is no error: ask HasErrors.
type Diagnostics []Diagnostic

// HasErrors tells whether there is more than warnings.
func (ds Diagnostics) HasErrors() bool {
	return slices.ContainsFunc(ds, func(d Diagnostic) bool { return d.Severity == SeverityError })
}

// Error gives the first diagnostic in one line and the number of the others.
func (ds Diagnostics) Error() string {
	switch len(ds) {
	case 0:
		return "no diagnostics"
	case 1:
		return ds[0].line()
	default:
		return fmt.Sprintf("%s (and %d more)", ds[0].line(), len(ds)-1)
	}
}

// Print writes every diagnostic for people: place and summary, the source line
// with a line of carets below it, detail and hint. Those two lines are no wider than
// so many columns; 0 is no bound. Shown gives what the reader sees of source text.
func (ds Diagnostics) Print(w io.Writer, columns int, shown func(string) string) error {
	var text strings.Builder
	for i, d := range ds {
		if i > 0 {
			text.WriteByte('\n')
		}
		d.Source = Excerpt{shown(d.Source.Before), shown(d.Source.Meant), shown(d.Source.After)}
		d.print(&text, columns)
	}
	_, err := io.WriteString(w, text.String())
	return err
}

func (d Diagnostic) print(text *strings.Builder, columns int) {
	text.WriteString(d.line() + "\n")
	text.WriteString(d.Source.lines("    ", columns))
	if d.Detail != "" { // one line: a line end in it came with a name
		text.WriteString("  " + plain.Text(strings.ReplaceAll(d.Detail, "\n", " ")) + "\n")
	}
	if d.Hint != "" {
		text.WriteString("  hint: " + plain.Text(d.Hint) + "\n")
	}
	if d.Following > 0 {
		text.WriteString(fmt.Sprintf("  %d more may follow from it; mend this one first\n", d.Following))
	}
}

// Why gives summary and detail in one line, without the place.
func (d Diagnostic) Why() string {
	if d.Detail == "" {
		return d.Summary
	}
	return d.Summary + ": " + d.Detail
}

// line gives place and summary as compilers do, so that editors can jump.
func (d Diagnostic) line() string {
	text, file := plain.Text(d.Summary), plain.Text(d.At.File)
	if d.Severity == SeverityWarning {
		text = "warning: " + text
	}
	switch {
	case d.At.File == "":
		return text
	case d.At.Line == 0:
		return file + ": " + text
	default:
		return fmt.Sprintf("%s:%d:%d: %s", file, d.At.Line, d.At.Column, text)
	}
}

// sorted gives the diagnostics by place, one of each. Evaluation follows
// references and maps, so the order of discovery says nothing to a reader.
func (ds Diagnostics) sorted() Diagnostics {
	slices.SortStableFunc(ds, func(a, b Diagnostic) int {
		return cmp.Or(
			cmp.Compare(a.At.File, b.At.File),
			cmp.Compare(a.At.Line, b.At.Line),
			cmp.Compare(a.At.Column, b.At.Column),
			cmp.Compare(a.Summary, b.Summary),
			cmp.Compare(a.Detail, b.Detail),
		)
	})
	return slices.Compact(ds)
}

// cut shortens a text that long names have made longer than that many characters.
func cut(text string, limit int) string {
	runes := []rune(text)
	if len(runes) <= limit {
		return text
	}
	return string(runes[:limit-1]) + "…"
}
