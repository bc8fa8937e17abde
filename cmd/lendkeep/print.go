package main

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
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
		t.err = screen.On(t.w).Line(fmt.Sprintf(format, plain.Values(values)...))
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

func printCheck(w io.Writer, diagnostics spec.Diagnostics, findings []assess.Finding, asJSON bool) error {
	if asJSON {
		return printJSON(w, checkedOf(diagnostics, findings))
	}
	if err := printDiagnostics(w, diagnostics); err != nil {
		return err
	}
	t := &text{w: w}
	tally(t, findings)
	for _, f := range findings {
		printFinding(t, f)
	}
	switch {
	case len(findings) == 0:
		t.line("Nothing speaks against this layout.")
	case assess.Stops(findings):
		t.line("No order is written while something stops it.")
	default:
		t.line("Nothing stops an order.")
	}
	return t.err
}

func printDiagnostics(w io.Writer, diagnostics spec.Diagnostics) error {
	var text bytes.Buffer
	if err := diagnostics.Print(&text); err != nil {
		return err
	}
	return screen.On(w).Prose(text.String())
}

// severities say how each severity is drawn.
var severities = map[assess.Severity]screen.Style{assess.Stop: screen.Stop, assess.Caution: screen.Caution, assess.Note: screen.Note}

// tally is the head line over findings.
func tally(t *text, findings []assess.Finding) {
	if len(findings) == 0 {
		return
	}
	numbers := map[assess.Severity]int{}
	for _, f := range findings {
		numbers[f.Severity]++
	}
	t.line("Found: %s, %s, %s.", count(numbers[assess.Stop], "stop"), count(numbers[assess.Caution], "caution"), count(numbers[assess.Note], "note"))
	t.line("")
}

// count gives a number of things in words.
func count(n int, thing string) string {
	if n == 0 {
		return "no " + thing
	}
	return plain.Count(n, thing)
}

func printFinding(t *text, f assess.Finding) {
	t.marked(severities[f.Severity], string(f.Severity), ": %s", f.Summary)
	t.line("   stated  %s", f.At)
	t.line("   why     %s", f.Detail)
	for _, cause := range f.Causes {
		t.line("   seen    %s: %s", cause.Path, cause.Value)
	}
	for _, remedy := range f.Remedies {
		t.line("   do      %s", remedy)
	}
	t.line("   more    lendkeep check --explain %s", f.Check)
	t.line("")
}

// printOrder shows an order; call is what carries it out, empty where nothing is to
// be said of that.
func printOrder(w io.Writer, sealed order.Sealed, call string, xml bool) error {
	t := &text{w: w}
	o := sealed.Order
	tally(t, o.Findings)
	for _, f := range o.Findings {
		if f.Severity == assess.Caution {
			printFinding(t, f)
		}
	}
	if len(o.Steps) == 0 {
		t.line("Host %s is as the layout says; there is nothing to do.", o.Host)
		return t.err
	}
	aim := ""
	if o.Shift != "" {
		aim = ", shift " + o.Shift
	}
	t.line("Order for host %s%s, on the facts of %s", o.Host, aim, o.SurveyedAt.Format("2006-01-02 15:04:05 MST"))
	t.line("")
	for n, s := range o.Steps {
		printStep(t, n+1, s, xml)
	}
	for _, d := range o.Downtimes() {
		t.line("%s", d)
	}
	t.line("All steps together take about %s.", round(o.Takes()))
	t.line("Approval code: %s", sealed.Code())
	if call != "" {
		t.line("To carry it out: %s", call)
	}
	return t.err
}

func printStep(t *text, n int, s step.Written, xml bool) {
	about := s.Step.About()
	t.line("%2d  %s", n, about.Does)
	t.line("      stated  %s", s.Why)
	if detailed, ok := s.Step.(step.Detailed); ok {
		for _, d := range detailed.Details() {
			t.line("      %-7s %s", d.Head, d.Text)
		}
	}
	t.line("      undo    %s", cmp.Or(about.Undoes, "nothing to undo"))
	t.line("      risk    %s, about %s", about.Risk, round(about.Takes))
	if define, ok := s.Step.(*step.DefineGuest); ok && xml {
		after, _, err := define.After()
		if err != nil {
			t.line("      %v", err)
		}
		for _, line := range definition.Difference(define.Before, after) {
			printChange(t, line)
		}
	}
	t.line("")
}

func printChange(t *text, line string) {
	for word, style := range map[string]screen.Style{definition.Was: screen.Was, definition.Becomes: screen.Becomes} {
		if rest, ok := strings.CutPrefix(line, word); ok {
			t.marked(style, "      "+word, "%s", rest)
			return
		}
	}
	t.line("      %s", line)
}

func round(d time.Duration) string { return d.Round(time.Second).String() }

// watcher prints what happens while an order is carried out.
func watcher(c *cobra.Command, p *progress, asJSON bool) func(carry.Report, carry.Record) {
	w := c.OutOrStdout()
	log := zerolog.Ctx(c.Context())
	return func(report carry.Report, r carry.Record) {
		log.Info().Str("order", report.Sealed.Code()).Str("event", string(r.Event)).Int("step", r.Step).
			Bool("undo", r.Undo).Str("result", string(r.Result)).Str("note", r.Note).Msg("journal")
		p.end()
		if asJSON {
			tellEvent(w, report, r)
		} else {
			happening(&text{w: w}, report, r) // the order goes on without a reader
		}
		p.follow(report, r)
	}
}

func happening(t *text, report carry.Report, r carry.Record) {
	name := func() string { return report.Steps[r.Step-1].About.Does }
	switch r.Event {
	case carry.Taken:
		t.line("order %s: %s", report.Sealed.Code(), plain.Count(len(report.Steps), "step"))
	case carry.Resume:
		t.line("order %s goes on", report.Sealed.Code())
	case carry.Intent:
	case carry.Outcome:
		t.line("  step %d  %-9s %s", r.Step, r.Result, name())
		if r.Note != "" {
			t.line("          seen: %s", strings.ReplaceAll(r.Note, "\n", " "))
		}
	case carry.Rollback:
		t.line("rolling back (%s)", strings.ReplaceAll(r.Note, "\n", " "))
	default:
		t.line("order %s %s", report.Sealed.Code(), endWord(r.Result))
	}
}

func endWord(result carry.Result) string {
	switch result {
	case carry.Carried:
		return "is carried out"
	case carry.Restored:
		return "is rolled back; the host is as before"
	default:
		return "is stuck: a person is needed"
	}
}

func printRehearsal(w io.Writer, sealed order.Sealed, report rehearse.Report, asJSON bool) error {
	if asJSON {
		return printJSON(w, rehearsed{Code: sealed.Code(), Host: sealed.Order.Host, Good: report.Good(), Report: report})
	}
	t := &text{w: w}
	t.line("Rehearsal of order %s for host %s, on a copy of it in memory", sealed.Code(), sealed.Order.Host)
	t.line("")
	through := "carried out"
	if !report.Through.Good {
		through = "NOT carried out: " + report.Through.Why
	}
	t.prose(`Once through: %s; definitions judged by libvirt: %d.
Then once for each way in which each of its %s can go wrong: it fails, is
done but reports failure, never answers, is cut off (by a killed process or a
power cut, followed by resume or by rollback), or only claims to be done.
`, through, report.Judged, plain.Count(report.Calls, "call"))
	t.line("")
	rows := [][]string{{"call", "ways", "cases", "as before", "as planned", "needs a person", "wrong"}}
	for _, row := range report.Table() {
		rows = append(rows, []string{row.Call, fmt.Sprint(len(row.Modes)), fmt.Sprint(row.Cases), fmt.Sprint(row.Before), fmt.Sprint(row.Planned), fmt.Sprint(row.Person), fmt.Sprint(row.Wrong)})
	}
	t.table(rows)
	t.line("")
	for _, c := range report.Cases {
		if !c.Good {
			t.line("wrong: call %d, %s, %s; %s: %s", c.Number+1, c.Call, c.Mode, c.Recovery, c.Why)
		}
	}
	t.line("%s over %s; %s.", plain.Count(len(report.Cases), "case"), plain.Count(report.Calls, "call"), report.Sentence())
	return t.err
}
