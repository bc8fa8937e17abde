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
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return again(c, &w, &said, func(ctx context.Context, carrier *carry.Carrier, report carry.Report) (carry.Report, error) {
				if report.Ended != "" {
					return report, fail(exitUsage, "", "there is nothing to go on with: order %s ended (%s)", report.Sealed.Code(), report.Ended)
				}
				return carrier.Resume(ctx, report)
			})
		},
	}
	w.flags(c, false)
	said.confirmedFlag(c)
	return c
}

func rollbackCommand() *cobra.Command {
	var w where
	var said said
	c := &cobra.Command{
		Use:   "rollback",
		Short: "Undo the order that has not ended, else the newest",
		Long: `Undoes the newest order of this host that was cut off or got stuck; where there is
none, the newest that was carried out: every step that is in force, the last
first, each looked at before and after. What somebody has changed since is not
overwritten. Where that empties a drive again (a system was copied onto it, a
filesystem made), its serial is asked for, or given with --erase: what was written
to it since is lost.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return again(c, &w, &said, func(ctx context.Context, carrier *carry.Carrier, report carry.Report) (carry.Report, error) {
				if report.Ended == carry.Restored {
					return report, fail(exitUsage, "", "there is nothing to undo: order %s was rolled back already", report.Sealed.Code())
				}
				if err := said.erasing(c, terminal(c), undoing(report), "Rolling back empties the drive"); err != nil {
					return report, err
				}
				return carrier.Rollback(ctx, report)
			})
		},
	}
	w.flags(c, false)
	said.eraseFlag(c)
	return c
}

type going func(context.Context, *carry.Carrier, carry.Report) (carry.Report, error)

// again opens the journal of the order that has not ended, else the newest, and
// goes on from it.
func again(c *cobra.Command, w *where, said *said, goOn going) error {
	var of begun
	var report carry.Report
	about := func(j *journals) (order.Order, error) {
		var found bool
		var err error
		of, report, found, err = j.current(c.Context())
		if err == nil && !found {
			err = fail(exitUsage, "", "no order was carried out on this host: %s holds no journal of it", j.folder)
		}
		return report.Sealed.Order, err
	}
	w.progress = newProgress(c.ErrOrStderr())
	return acting(c.Context(), w, about, func(h host, j *journals) error {
		journal, err := j.open(of)
		if err != nil {
			return err
		}
		h.Person = said.desk(c, h.Person)
		carrier := &carry.Carrier{Ports: h.Ports, Journal: journal, Clock: systemClock{}, Watch: watcher(c, w.progress)}
		report, err := goOn(c.Context(), carrier, report)
		w.progress.end()
		var f failure
		if errors.As(err, &f) {
			return errors.Join(err, journal.Close())
		}
		return errors.Join(ended(report, err), journal.Close())
	})
}
