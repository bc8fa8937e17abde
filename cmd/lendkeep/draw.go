package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/providers/memory"
	paper "lendkeep/providers/page"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/order"
	drawing "lendkeep/reconcile/page"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/strict"
)

func drawCommand() *cobra.Command {
	var w where
	var out, orderFile, measures, rehearsal string
	c := &cobra.Command{
		Use:   "draw LAYOUT",
		Short: "Draw the host and its layout as one page for a browser",
		Long: `Draws the host, or a survey of it, beside the layout in directory LAYOUT into one
HTML file: what hangs where, what must go together, each drive to scale with what
is on it and who uses it; what is where in each shift and what changes between
them; the last days as the watch saw them; and each finding at its place.

With --order it shows what that order changes too: each step at the place where
it acts, with its undo, and those places before and after, the order being
carried out on a copy of the host in memory. With --rehearsal it tells what a
rehearsal on a twin found. With --measures it charts what was measured, beside what
the links carry. Nothing on the host is changed.

The file stands alone: it fetches nothing and runs nothing. It can be printed,
read on a phone, and attached to the review of a change; it holds serials and
definitions, so look through it before you give it away. The same facts give the
same bytes.`,
		Example: "  lendkeep draw examples/larch -o larch.html --survey larch.survey.json\n  lendkeep draw examples/larch -o day.html --order day.order --measures day.measures",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			if out == "" {
				return fail(exitUsage, "lendkeep draw LAYOUT -o FILE", "name the file that the page goes to")
			}
			given, err := drawnOf(c, arguments[0], orderFile, measures, &w)
			if err == nil && rehearsal != "" {
				given.Rehearsed, err = drawnRehearsal(rehearsal, given)
			}
			if err != nil {
				return err
			}
			content, err := paper.Write(drawing.Draw(given))
			if err != nil {
				return err
			}
			if err := writeOut(c, out, content); err != nil || out == standard {
				return err
			}
			t := text{w: c.OutOrStdout()}
			t.line("Drawn to %s: host %s with %s and %s.", out, given.Case.Facts.Survey.Machine.Name,
				count(len(given.Case.Layout.Controllers), "controller"), count(len(given.Findings), "finding"))
			return t.err
		},
	}
	w.flags(c, true)
	c.Flags().StringVarP(&out, "output", "o", "", "write the page to this `FILE`; -, to standard output")
	toStandard(c, "output")
	c.Flags().StringVar(&orderFile, "order", "", "draw what the order in this `FILE` changes, too")
	c.Flags().StringVar(&rehearsal, "rehearsal", "", "tell what is in this `FILE`, of lendkeep rehearse ORDER --survey FILE --twin --json")
	c.Flags().StringVar(&measures, "measures", "", "chart the measurements in this `FOLDER`, each a .json file, beside what the links carry")
	return c
}

// drawnOf puts together what is drawn.
func drawnOf(c *cobra.Command, dir, orderFile, measures string, w *where) (drawing.Given, error) {
	var given drawing.Given
	shift := ""
	if orderFile != "" {
		sealed, err := openOrder(orderFile)
		if err != nil {
			return given, err
		}
		given.Order, shift = &sealed, sealed.Order.Shift
	}
	w.progress = newProgress(c.ErrOrStderr())
	layout, survey, _, err := layoutOf(c.Context(), dir, w)
	if err != nil {
		return given, err
	}
	if given.Order != nil && given.Order.Order.LayoutHash != layout.Hash {
		return given, failure{code: exitStale, err: errors.New("the layout is another than the order was written from"), next: "plan again, or name the layout of the order"}
	}
	given.Case = assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift))
	given.Findings = assess.Assess(given.Case)
	given.History, given.NoHistory = drawnHistory(w)
	if given.Measured, given.NoMeasures, err = drawnMeasures(measures); err != nil {
		return given, err
	}
	if given.Order != nil {
		given.After, err = afterwards(c.Context(), *given.Order, given.Case.Facts)
	}
	return given, err
}

// drawnRehearsal reads what a rehearsal on a twin of this host found, of the order that
// is drawn where there is one.
func drawnRehearsal(name string, given drawing.Given) (*anew.Report, error) {
	const next = "write it anew: lendkeep rehearse ORDER --survey FILE --twin --json > REHEARSAL"
	content, err := files.Read(name, mostRehearsal)
	if err != nil {
		return nil, fail(exitUsage, next, "draw rehearsal: %w", err)
	}
	var read twinned
	if err := strict.ReadWhole(content, mostRehearsal, &read); err != nil {
		return nil, fail(exitUsage, next, "draw rehearsal: %s: %w", name, err)
	}
	switch host := given.Case.Facts.Survey.Machine.Name; {
	case read.Host != host:
		return nil, fail(exitStale, "name one of host "+host, "the rehearsal in %s is of host %s, not %s", name, read.Host, host)
	case given.Order != nil && read.Order != given.Order.Code():
		return nil, fail(exitStale, "name that of the order", "the rehearsal in %s is of order %s, not %s", name, read.Order, given.Order.Code())
	}
	return &read.Report, nil
}

// mostRehearsal bounds such a file, in bytes: a list of every function of a large host.
const mostRehearsal = 16 << 20

// drawnHistory gives what the watch has seen of the host, or why that is not known.
func drawnHistory(w *where) (*drawing.History, string) {
	if w.survey != "" {
		return nil, "a survey file holds no history"
	}
	events, notes, err := eventsOf(w)
	if err != nil {
		return nil, "the history is not known: " + err.Error()
	}
	events = slices.Concat(events, notes)
	slices.SortStableFunc(events, older)
	return &drawing.History{Events: events, Watching: watchRuns(w)}, ""
}

// drawnMeasures compares the measurements in a folder, by the names of their files.
func drawnMeasures(folder string) (*speed.Comparison, string, error) {
	if folder == "" {
		return nil, "no measurements were given", nil
	}
	entries, err := os.ReadDir(folder) // sorted by name
	if err != nil {
		return nil, "", fail(exitUsage, "name the folder that they are in", "draw measurements: %w", err)
	}
	var results []speed.Result
	for _, entry := range entries {
		if filepath.Ext(entry.Name()) != ".json" {
			continue
		}
		name := filepath.Join(folder, entry.Name())
		content, err := files.Read(name, speed.MaxBytes)
		if err != nil {
			return nil, "", fail(exitUsage, "", "draw measurements: %w", err)
		}
		result, err := speed.Decode(content)
		if err != nil {
			return nil, "", fail(exitUsage, "take it out of the folder if it is none", "draw measurements: %s: %w", name, err)
		}
		results = append(results, result)
	}
	if len(results) == 0 {
		return nil, "", fail(exitUsage, "name the folder that they are in", "draw measurements: %s holds no .json file", folder)
	}
	compared, err := speed.Compare(results)
	if err != nil {
		return nil, "", fail(exitUsage, "put those that belong beside each other into a folder of their own", "draw measurements: %w", err)
	}
	return &compared, "", nil
}

// afterwards gives the host as it is once the order is carried out, by doing so on a
// copy of it in memory.
func afterwards(ctx context.Context, sealed order.Sealed, now *facts.Index) (*facts.Index, error) {
	if err := unchanged(sealed, now); err != nil {
		return nil, err
	}
	r := rehearse.Rehearsal{Host: memory.Rehearse, Sealed: sealed, Survey: *now.Survey, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(ctx)
	if err != nil {
		return nil, err
	}
	if !report.Through.Good {
		return nil, fail(exitFindings, "do not apply this order; lendkeep rehearse ORDER --survey FILE tells more", "draw what is after the order: it was not carried out on a copy of the host: %s", report.Through.Why)
	}
	after := r.Planned()
	return facts.NewIndex(&after), nil
}

// unchanged holds that an order was written from these facts.
func unchanged(sealed order.Sealed, ix *facts.Index) error {
	changes, err := sealed.Order.Changes(ix)
	if err != nil {
		return fail(exitUsage, "plan again", "%w", err)
	}
	if len(changes) == 0 {
		return nil
	}
	return failure{code: exitStale, err: errors.New("the facts are others than those that the order was written from"), details: changesOf(carry.StaleError{Changes: changes}),
		next: "plan again, or name the survey that the order was written from"}
}
