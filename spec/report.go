package spec

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

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
	r.diags = append(r.diags, Diagnostic{Severity: SeverityError, Summary: brief(summary), Detail: detail, Hint: hint})
}

func (r *reader) report(severity string, rng hcl.Range, summary, detail, hint string) {
	r.diags = append(r.diags, Diagnostic{
		Severity: severity,
		Summary:  brief(summary),
		Detail:   detail,
		Hint:     hint,
		At:       placeOf(rng),
		Source:   excerpt(r.files[rng.Filename], rng),
	})
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

// library reports what the language library found: broken syntax, and
// expressions that cannot be computed.
func (r *reader) library(ds hcl.Diagnostics) {
	for _, d := range ds {
		rng := hcl.Range{}
		if d.Subject != nil {
			rng = *d.Subject
		}
		severity := SeverityError
		if d.Severity == hcl.DiagWarning {
			severity = SeverityWarning
		}
		summary, detail := d.Summary, d.Detail
		if call, ok := hcl.DiagnosticExtra[hclsyntax.FunctionCallDiagExtra](d); ok && call.FunctionCallError() != nil {
			summary = fmt.Sprintf("%s() cannot compute this", call.CalledFunctionName())
			detail = sentence(call.FunctionCallError().Error())
		}
		r.report(severity, rng, summary, detail, syntaxHints[summary])
	}
}

// syntaxHints tell how to get out of what beginners run into.
var syntaxHints = map[string]string{
	"Invalid single-argument block definition": "a block on one line holds one attribute; put each attribute on a line of its own",
	"Missing newline after argument":           "put each attribute on a line of its own",
	"Missing newline after block definition":   "start the next block on a line of its own",
	"Unsupported operator":                     "join texts with \"${…}\" or format()",
}

// sentence makes an error's text one: capital first, full stop last.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return text
	}
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}
