package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/order"
)

func resumeCommand() *cobra.Command {
	var w where
	var said said
	c := &cobra.Command{
		Use:   "resume",
		Short: "Go on with an order that was cut off",
		Long: `Goes on with the newest order of this host that has not come to an end: after a
crash of lendkeep or of the machine. The journal holds the order; the host is
asked what of it is in force. If rolling back had begun, that is what goes on.`,
		Example: "  lendkeep resume",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return again(c, &w, &said, past.current, func(ctx context.Context, carrier *carry.Carrier, report carry.Report) (carry.Report, error) {
				if report.Ended != "" {
					return report, fail(exitUsage, "", "there is nothing to go on with: order %s ended (%s)", report.Sealed.Code(), report.Ended)
				}
				w.progress.reading()
				return carrier.Resume(ctx, report)
			})
		},
	}
	w.flags(c, false)
	said.confirmedFlag(c)
	said.jsonFlag(c)
	return c
}

func rollbackCommand() *cobra.Command {
	var w where
	var said said
	var further bool
	c := &cobra.Command{
		Use:   "rollback",
		Short: "Undo the order that has not ended, else the newest",
		Long: `Undoes the newest order of this host that was cut off or got stuck; where there is
none, the newest that was carried out: every step that is in force, the last
first, each looked at before and after. What somebody has changed since is not
overwritten. Where that empties a drive again (a system was copied onto it, a
filesystem made), its serial is asked for, or given with --erase: what was written
to it since is lost.

Called again, it goes one order further back: the newest that was carried out and
not rolled back (lendkeep status --orders lists them). That is only done while
everything that this order has left still stands; else it names what does not,
and nothing is touched. After an order that failed and was undone by itself nobody
may expect that, so it must be said: --further.`,
		Example: "  lendkeep status --orders\n  lendkeep rollback",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			var after *begun
			pick := func(p past, ctx context.Context) (b begun, report carry.Report, found bool, err error) {
				b, report, after, found, err = p.undoable(ctx)
				return b, report, found, err
			}
			return again(c, &w, &said, pick, func(ctx context.Context, carrier *carry.Carrier, report carry.Report) (carry.Report, error) {
				if report.Ended == carry.Restored {
					return report, fail(exitUsage, "", "there is nothing to undo: order %s was rolled back already, and so was every other", report.Sealed.Code())
				}
				if after != nil && after.Note != carry.AskedFor && !further {
					return report, fail(exitUsage, "lendkeep status --orders; to undo the one before it as well, order "+report.Sealed.Code()+": lendkeep rollback --further",
						"there is nothing to undo of the newest order, which failed and was undone by itself: %s", after.Note)
				}
				if after != nil {
					w.progress.reading()
					err := carrier.MayGoBack(ctx, report)
					w.progress.end()
					if err := said.furtherBack(c, report, err); err != nil {
						return report, err
					}
				}
				if err := said.erasing(c, said.terminal(c), undoing(report), "Rolling back empties the drive"); err != nil {
					return report, err
				}
				w.progress.reading()
				return carrier.Rollback(ctx, report)
			})
		},
	}
	w.flags(c, false)
	c.Flags().BoolVar(&further, "further", false, "go one order further back, although the newest was undone by itself")
	said.eraseFlag(c)
	said.jsonFlag(c)
	return c
}

// furtherBack says which order is undone after others were, unless it must not be:
// what it has left no longer stands.
func (s *said) furtherBack(c *cobra.Command, report carry.Report, err error) error {
	var fallen carry.FallenError
	if errors.As(err, &fallen) {
		return fail(exitStale, "undo by hand what is left of it, or plan another shift", "order %s of %s was carried out before those that were rolled back, and is not undone: %w; nothing was touched", report.Sealed.Code(), stamp(report.Started), err)
	}
	if err != nil {
		return err
	}
	if s.json {
		return nil // its events name the order
	}
	t := text{w: c.OutOrStdout()} // as with watcher
	t.line("going one order further back, to order %s of %s", report.Sealed.Code(), stamp(report.Started))
	return nil
}

// choosing gives the order that a command is about.
type choosing func(past, context.Context) (begun, carry.Report, bool, error)

type going func(context.Context, *carry.Carrier, carry.Report) (carry.Report, error)

// again opens the journal of the order that is chosen, and goes on from it.
func again(c *cobra.Command, w *where, said *said, choose choosing, goOn going) error {
	var of begun
	var report carry.Report
	about := func(j *journals) (order.Order, error) {
		var found bool
		var err error
		of, report, found, err = choose(j.past, c.Context())
		if err == nil && !found {
			err = fail(exitUsage, "", "no order was carried out on this host: %s holds no journal of it", j.folder)
		}
		return report.Sealed.Order, err
	}
	return acting(c, w, about, func(h host, j *journals) error {
		journal, err := j.open(of)
		if err != nil {
			return err
		}
		h.Person = said.desk(c, h.Person)
		carrier := &carry.Carrier{Ports: h.Ports, Journal: journal, Clock: systemClock{}, Watch: watcher(c, w.progress, said.json)}
		report, err := goOn(c.Context(), carrier, report)
		w.progress.end()
		var f failure
		if errors.As(err, &f) {
			return errors.Join(err, journal.Close())
		}
		return errors.Join(ended(report, err, j.folder), journal.Close())
	})
}
