package main

import (
	"cmp"
	"io"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/watch"
)

// shown is a host's history as status --history prints it.
type shown struct {
	Version  version       `json:"version"`
	Watching bool          `json:"watching"`
	Loans    []watch.Loan  `json:"loans"`
	Alarms   []watch.Event `json:"alarms"` // those that are not over
	Events   []watch.Event `json:"events"` // everything, the oldest first
}

// eventsOf reads the history of the host that is looked at, and the guard's notes that
// nobody has taken over yet.
func eventsOf(w *where) (events, notes []watch.Event, err error) {
	events, err = w.history().Read()
	if err != nil {
		return nil, nil, fail(exitUsage, asRoot(err)+"; what is damaged lendkeep watch puts aside when it begins", "%w", err)
	}
	notes, _, err = w.history().Notes()
	if err != nil {
		return nil, nil, fail(exitUsage, asRoot(err), "%w", err)
	}
	return events, notes, nil
}

// historyOf makes of that what is shown.
func historyOf(w *where) (shown, error) {
	h := shown{Loans: []watch.Loan{}, Alarms: []watch.Event{}, Events: []watch.Event{}}
	events, notes, err := eventsOf(w)
	if err != nil {
		return h, err
	}
	for _, e := range append(events, notes...) {
		if !e.Again {
			h.Events = append(h.Events, e)
		}
	}
	slices.SortStableFunc(h.Events, older)
	l := watch.Fold(events)
	for _, e := range l.Alarms {
		h.Alarms = append(h.Alarms, e)
	}
	slices.SortFunc(h.Alarms, func(a, b watch.Event) int { return cmp.Compare(a.Key, b.Key) })
	h.Watching, h.Loans = watchRuns(w), watch.Loans(events)
	return h, nil
}

func older(a, b watch.Event) int { return a.At.Compare(b.At) }

// last tells the newest event of each controller.
func (h shown) last() map[string]watch.Event { return watch.Fold(h.Events).Last }

func showHistory(out io.Writer, w *where, asJSON bool) error {
	if err := w.exists(); err != nil {
		return err
	}
	h, err := historyOf(w)
	if err != nil {
		return err
	}
	if asJSON {
		return printJSON(out, h)
	}
	return printHistory(out, h)
}

func printHistory(w io.Writer, h shown) error {
	t := &text{w: w}
	if len(h.Events) == 0 {
		t.line("Nothing is in the history.")
		return t.err
	}
	rows := [][]string{{"controller", "guest", "from", "to", "how it was lent", "how it came back"}}
	for _, loan := range h.Loans {
		rows = append(rows, loanRow(loan))
	}
	if len(h.Loans) > 0 {
		t.table(rows)
	}
	var apart [][]string
	for _, e := range h.Events {
		if e.Loud() {
			apart = append(apart, []string{stamp(e.At), string(e.Kind), e.String()})
		}
	}
	switch {
	case len(apart) == 0 && len(h.Loans) == 0:
		t.line("Since %s nothing was lent, and nothing was wrong.", stamp(h.Events[0].At))
	case len(apart) > 0:
		t.line("")
		t.table(append([][]string{{"at", "what", "why"}}, apart...))
	}
	return t.err
}

func loanRow(loan watch.Loan) []string {
	name := loan.Controller
	if loan.Serial != "" {
		name += " (" + loan.Serial + ")"
	}
	row := []string{name, loan.Guest, stamp(loan.From), "-", loan.Way.Lent(), "-"}
	if loan.Return != nil {
		row[3] = stamp(loan.Return.At)
		row[5] = string(loan.Return.Way) + strings.ReplaceAll(loan.Return.How(), "; ", ", ")
	}
	return row
}

// stampForm is how a time is shown, in UTC.
const stampForm = "2006-01-02 15:04:05 MST"

func stamp(at time.Time) string { return at.UTC().Format(stampForm) }
