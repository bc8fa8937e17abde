package main

import (
	"io"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/reconcile/carry"
	"lendkeep/spec/plain"
)

// happened is a line of what apply, resume and rollback print with --json: a
// record of the journal, without the order's file.
type happened struct {
	Version version      `json:"version"`
	At      time.Time    `json:"at"`
	Order   string       `json:"order"`
	Event   carry.Event  `json:"event"`
	Steps   int          `json:"steps"`
	Step    int          `json:"step,omitempty"`
	Does    string       `json:"does,omitempty"`
	Undo    bool         `json:"undo,omitempty"`
	Result  carry.Result `json:"result,omitempty"`
	Silent  bool         `json:"silent,omitempty"`
	Note    string       `json:"note,omitempty"`
}

// tellEvent prints an event as JSON. The order goes on without a reader.
func tellEvent(w io.Writer, report carry.Report, r carry.Record) {
	h := happened{At: r.At, Order: report.Sealed.Code(), Event: r.Event, Steps: len(report.Steps), Step: r.Step,
		Undo: r.Undo, Result: r.Result, Silent: r.Silent, Note: r.Note}
	if r.Step > 0 {
		h.Does = report.Steps[r.Step-1].About.Does
	}
	_ = printEvent(w, h)
}

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
		t.line("order %s %s", report.Sealed.Code(), endWord(report, r.Result))
	}
}

func endWord(report carry.Report, result carry.Result) string {
	stays := func(s carry.StepReport) bool { return s.Undo && s.Result == carry.NotDone }
	switch {
	case result == carry.Carried:
		return "is carried out"
	case result == carry.Restored && slices.ContainsFunc(report.Steps, stays):
		return "is rolled back; the host is as before, but for what stays as it is"
	case result == carry.Restored:
		return "is rolled back; the host is as before"
	default:
		return "is stuck: a person is needed"
	}
}
