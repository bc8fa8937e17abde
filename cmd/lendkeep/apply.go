package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

func applyCommand() *cobra.Command {
	var w where
	var said said
	c := &cobra.Command{
		Use:   "apply ORDER",
		Short: "Carry an approved order out",
		Long: `Carries out the order in file ORDER, once it is approved by its code: typed when
asked for, or given with --approve. First every fact that the order relies on is
read again; if one has changed nothing is touched. Each step is noted in the
journal before it is done and looked at afterwards; when one fails, everything
that was done is undone in reverse.

An order that erases a drive needs that drive's serial as well, and one with
steps by hand asks for each whether it is done: typed, or given with --erase and
--confirmed. What can be seen is looked at then: what is seen not to be so counts as
not done, whatever was said.`,
		Example: "  lendkeep apply day.order\n  lendkeep apply day.order --approve ABCD-EFGH-IJKL-MNOP --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			sealed, err := openOrder(arguments[0])
			if err != nil {
				return err
			}
			approval, err := approve(c, sealed, arguments[0], said)
			if err != nil {
				return err
			}
			if err := layoutUnchanged(c.Context(), sealed.Order, arguments[0]); err != nil {
				return err
			}
			return acting(c, &w, func(j *journals) (order.Order, error) { return sealed.Order, j.unended() }, func(h host, j *journals) error {
				h.Person = said.desk(c, h.Person)
				return carryOut(c, &w, h, j, approval, arguments[0], said.json)
			})
		},
	}
	w.flags(c, false)
	c.Flags().StringVar(&said.code, "approve", "", "the order's approval `CODE`, as plan printed it")
	said.eraseFlag(c)
	said.confirmedFlag(c)
	said.jsonFlag(c)
	return c
}

func openOrder(name string) (order.Sealed, error) {
	content, err := files.ReadTrusted(name, order.MaxBytes)
	if errors.Is(err, files.ErrOthersWrite) {
		return order.Sealed{}, fail(exitDamaged, "write it where only you can, and plan again: lendkeep plan LAYOUT -o FILE", "read order %s: %w; nothing was touched", name, err)
	}
	if err != nil {
		return order.Sealed{}, fail(exitUsage, "write one: lendkeep plan LAYOUT -o FILE", "read order: %w", err)
	}
	return orderIn(content, name)
}

// orderIn reads an order; name says where it comes from.
func orderIn(content []byte, name string) (order.Sealed, error) {
	sealed, err := order.Open(content)
	switch {
	case err == nil:
		return sealed, nil
	case whatIs(content) != anOrder && whatIs(content) != "":
		return order.Sealed{}, fail(exitUsage, "name the file of an order: lendkeep plan LAYOUT -o FILE writes one", "%s is %s, not an order", name, whatIs(content))
	case errors.Is(err, order.ErrDamaged):
		return order.Sealed{}, fail(exitDamaged, "plan again, in a file of its own: lendkeep plan LAYOUT -o FILE", "%s: %w; nothing was touched", name, err)
	}
	return order.Sealed{}, fail(exitUsage, "write it again: lendkeep plan LAYOUT -o FILE", "%s: %w", name, err)
}

// layoutUnchanged holds the order against the layout it was written from,
// where that is still to be found.
func layoutUnchanged(ctx context.Context, o order.Order, name string) error {
	if _, err := os.Stat(o.LayoutDir); err != nil {
		zerolog.Ctx(ctx).Warn().Str("layout", o.LayoutDir).Msg("the layout is not here, so whether it has changed is not looked at; the host's facts are")
		return nil
	}
	layout, diagnostics := spec.Load(o.LayoutDir, anyHost)
	if diagnostics.HasErrors() || layout.Hash != o.LayoutHash {
		return fail(exitStale, "plan again: "+planAgain(o, name), "the layout in %s has changed since the order was written; nothing was touched", o.LayoutDir)
	}
	return nil
}

// locked opens the journals for the time of one deed: nobody else changes the host
// meanwhile, and whoever ends its reader interrupts it. The command's context is
// another one from here on.
func locked(c *cobra.Command, w *where, deed func(*journals) error) (err error) {
	w.progress = newProgress(c.ErrOrStderr())
	defer heard(c)()
	if err := w.exists(); err != nil {
		return err
	}
	machine, err := w.machine(c.Context())
	if err != nil {
		return err
	}
	j, err := openJournals(w.keep(), machine)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	return deed(j)
}

// acting opens the journals and the host for the time of one deed. The order that
// it is about says which libvirt.
func acting(c *cobra.Command, w *where, about func(*journals) (order.Order, error), deed func(host, *journals) error) error {
	return locked(c, w, func(j *journals) error { return actingOn(c.Context(), w, j, about, deed) })
}

func actingOn(ctx context.Context, w *where, j *journals, about func(*journals) (order.Order, error), deed func(host, *journals) error) (err error) {
	o, err := about(j)
	if err != nil {
		return err
	}
	w.donors, w.sources, w.images, w.made, w.about = donorsIn(o), sourcesIn(o), o.Looks(), o.Makes(), o.Functions
	if w.standIn == "" {
		if err := os.MkdirAll(filepath.Join(w.keep(), "drives"), 0o700); err != nil {
			return fail(exitUsage, asRoot(err), "open journals: %w", err)
		}
	}
	h, err := w.open(ctx, o.Libvirt)
	if err != nil {
		return err
	}
	defer h.close()
	if w.standIn == "" {
		var withdraw func() error
		if h.Guests, withdraw, err = tellGuard(h.Guests, o); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, withdraw()) }()
	}
	return deed(h, j)
}

func carryOut(c *cobra.Command, w *where, h host, j *journals, approval order.Approval, name string, asJSON bool) error {
	journal := &lazyJournal{make: func() (carry.Journal, error) { return j.create() }}
	carrier := carry.Carrier{Ports: h.Ports, Journal: journal, Clock: systemClock{}, Sequence: j.next(), Watch: watcher(c, w.progress, asJSON)}
	w.progress.reading()
	report, err := carrier.Out(c.Context(), approval)
	w.progress.end()
	var stale carry.StaleError
	if errors.As(err, &stale) {
		return outdated(stale, approval.Sealed(), j.past, name)
	}
	return ended(report, err, j.folder)
}

// lazyJournal makes the journal's file with the first record, so that an order
// that is refused leaves none.
type lazyJournal struct {
	make  func() (carry.Journal, error)
	inner carry.Journal
}

// Append implements carry.Journal.
func (j *lazyJournal) Append(record []byte) error {
	if j.inner == nil {
		inner, err := j.make()
		if err != nil {
			return err
		}
		j.inner = inner
	}
	return j.inner.Append(record)
}

// ended turns what came of an order into lendkeep's own end. folder is that of the
// journals.
func ended(report carry.Report, err error, folder string) error {
	switch {
	case errors.Is(err, carry.ErrOtherMachine):
		return fail(exitStale, "plan on a survey of this host", "%w; nothing was touched", err)
	case err != nil && !report.Begun && errors.Is(err, carry.ErrJournal):
		return fail(exitUsage, "see that "+folder+" can be written and its disk has room, then do it again", "%w; nothing was touched", err)
	case err != nil && !report.Begun:
		return fail(exitUsage, "see that the host answers, then do it again", "%w; nothing was touched", err)
	case errors.Is(err, carry.ErrJournal):
		return fail(exitPerson, "see that "+folder+" can be written and its disk has room, then lendkeep resume or lendkeep rollback", "%w", err)
	case err != nil:
		return fail(exitPerson, "see that the host answers, then lendkeep rollback", "%w", err)
	case report.Ended == carry.Restored && report.Note != carry.AskedFor:
		return fail(exitRolledBack, "", "the order was not carried out and everything was undone: %s", report.Note)
	case report.Ended == carry.Stuck:
		return fail(exitPerson, "do that by hand, then lendkeep rollback", "a person is needed: %s", report.Note)
	default:
		return nil
	}
}
