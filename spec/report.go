package spec

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"lendkeep/spec/plain"

	"github.com/hashicorp/hcl/v2"
)

// maxDiagnostics is how many diagnostics are kept; a file that is no layout at
// all would give one for every byte.
const maxDiagnostics = 500

// refuse reports an error at rng. The summary may have 60 characters; detail
// and hint may be empty.
func (r *reader) refuse(rng hcl.Range, summary, detail, hint string) {
	r.report(SeverityError, rng, summary, detail, hint)
}

// warn reports what is allowed but hardly meant.
func (r *reader) warn(rng hcl.Range, summary, detail, hint string) {
	r.report(SeverityWarning, rng, summary, detail, hint)
}

// refuseWhole reports an error that is nowhere in particular.
func (r *reader) refuseWhole(summary, detail, hint string) {
	r.keep(Diagnostic{Severity: SeverityError, Summary: summary, Detail: detail, Hint: hint})
}

func (r *reader) report(severity string, rng hcl.Range, summary, detail, hint string) {
	d := Diagnostic{Severity: severity, Summary: summary, Detail: detail, Hint: hint, At: placeOf(rng)}
	if len(r.diags) < maxDiagnostics {
		d.Source = excerpt(r.files[rng.Filename], rng)
	}
	r.keep(d)
}

// keep notes a diagnostic, its words shortened where names in them are long, or
// only counts it if there are too many.
func (r *reader) keep(d Diagnostic) {
	d.Summary, d.Detail, d.Hint = cut(d.Summary, summaryLimit), cut(d.Detail, sayingLimit), cut(d.Hint, sayingLimit)
	r.failed = r.failed || d.Severity == SeverityError
	if len(r.diags) >= maxDiagnostics {
		r.unkept++
		return
	}
	r.diags = append(r.diags, d)
}

// reported gives all that was reported, sorted by place.
func (r *reader) reported() Diagnostics {
	ds := r.diags.sorted()
	if r.unkept == 0 {
		return ds
	}
	severity := SeverityWarning
	if r.failed {
		severity = SeverityError
	}
	return append(ds, Diagnostic{Severity: severity, Summary: plain.Count(r.unkept, "more mistake") + " not shown"})
}

// place turns a range into a Place and remembers the range for the rules.
func (r *reader) place(rng hcl.Range) Place {
	p := placeOf(rng)
	r.ranges[p] = rng
	return p
}

func placeOf(rng hcl.Range) Place {
	return Place{File: rng.Filename, Line: rng.Start.Line, Column: rng.Start.Column}
}

// sentence makes a text one: capital first, full stop last.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}
