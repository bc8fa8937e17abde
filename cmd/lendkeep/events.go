package main

import (
	"io"
	"time"

	"lendkeep/reconcile/carry"
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
