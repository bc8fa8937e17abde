package main

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/hook"
	"lendkeep/providers/sysfs"
	"lendkeep/providers/systemd"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// unguardCommand is for the package's removal alone. What orders have installed
// calls lendkeep's programs, so it goes before they do.
func unguardCommand() *cobra.Command {
	var w where
	c := &cobra.Command{
		Use:    "unguard",
		Short:  "Take away what orders have installed, so that lendkeep can be removed",
		Hidden: true,
		Args:   cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return locked(c, &w, func(j *journals) error { return unguard(c, &w, j) })
		},
	}
	w.flags(c, false)
	return c
}

// unguard refuses while an order has not ended or something is lent, or that is not
// known. A host on which nothing of an order's stands and none was carried out has
// nothing lent by lendkeep, so that libvirt is not asked.
func unguard(c *cobra.Command, w *where, j *journals) error {
	if err := j.unended(); err != nil {
		return err
	}
	ctx := c.Context()
	guarded, watched, err := w.installed(ctx)
	if err != nil {
		return err
	}
	t := &text{w: c.OutOrStdout()}
	if none(guarded, watched) && len(j.orders) == 0 {
		t.line("No order was carried out on this host; there is nothing to take away.")
		return t.err
	}
	for _, gap := range append(guarded.Gaps, watched.Gaps...) {
		return fail(exitFindings, moveAway, "what is installed of the guard is not known: %s: %s; nothing was touched", gap.Path, gap.Reason)
	}
	uri, err := libvirtOf(ctx, guarded, j)
	if err != nil {
		return err
	}
	h, err := w.open(ctx, uri)
	if err != nil {
		return fail(exitUsage, "see that libvirt answers (virsh list), then try again", "whether something is lent is not known: %w", err)
	}
	defer h.close()
	w.progress.reading()
	now, err := h.Survey.Survey(ctx)
	w.progress.end()
	if err != nil {
		return fail(exitUsage, "", "whether something is lent is not known: %w", err)
	}
	if err := mayUnguard(now); err != nil {
		return err
	}
	if err := takeAway(c, w, h, j, now); err != nil {
		return err
	}
	if watchRuns(w) {
		t.line("A lendkeep watch that no order has installed still runs: end it.")
	}
	if names := borrowing(now); len(names) > 0 {
		t.line("Nothing checks the start of guests that borrow any more: %s.", strings.Join(names, ", "))
	}
	return t.err
}

// installed reads what orders have installed, which libvirt is not asked for.
func (w *where) installed(ctx context.Context) (facts.InstalledGuard, facts.InstalledWatch, error) {
	if w.standIn == "" {
		root := sysfs.Machine().Root()
		return hook.Installed(root), systemd.Installed(root), nil
	}
	h, err := w.load(nil)
	if err != nil {
		return facts.InstalledGuard{}, facts.InstalledWatch{}, err
	}
	survey, err := h.Survey(ctx)
	return survey.Guard, survey.Watch, err
}

// none tells whether nothing is there of what orders install, as far as is known.
func none(g facts.InstalledGuard, w facts.InstalledWatch) bool {
	return g.Known() && g.GuardFiles == (facts.GuardFiles{}) && w.Known() && w.WatchFiles == (facts.WatchFiles{})
}

// libvirtOf gives the libvirt whose guests borrow: by the rules, else by the newest
// order; empty is the host's own. Rules that cannot be read may name any.
func libvirtOf(ctx context.Context, g facts.InstalledGuard, j *journals) (string, error) {
	rules, unread := guard.Installed(g)
	if unread == nil {
		return rules.Libvirt, nil
	}
	_, report, found, err := j.current(ctx)
	if err == nil && !found && !errors.Is(unread, guard.ErrNoRules) {
		err = fail(exitFindings, "have an order write the rules anew: lendkeep plan LAYOUT -o FILE, lendkeep apply FILE; then try again", "whether something is lent is not known: %w; nothing was touched", unread)
	}
	return report.Sealed.Order.Libvirt, err
}

const moveAway = "see what it is, move it away by hand, then try again"

// mayUnguard refuses where a return is awaited, or where lendkeep would touch what
// is not its own.
func mayUnguard(now facts.Survey) error {
	switch away := guard.Away(facts.NewIndex(&now)); {
	case len(away) > 0:
		return fail(exitFindings, "end the guests that borrow, see with lendkeep status LAYOUT that everything is home (what is gone for good goes out of the layout, rules that cannot be read are written anew: lendkeep plan LAYOUT -o FILE, lendkeep apply FILE), then try again",
			"something is lent, or may be: %s; nothing was touched", strings.Join(away, "; "))
	case !now.Guard.Ours():
		return fail(exitFindings, moveAway, "lendkeep has not written %s; nothing was touched", facts.GuardHook)
	case !now.Watch.Ours():
		return fail(exitFindings, moveAway, "lendkeep has not written %s; nothing was touched", facts.WatchUnit)
	case now.Watch.WatchFiles != (facts.WatchFiles{}) && !now.Watch.Systemd:
		return fail(exitFindings, moveAway, "%s is there, but systemd does not run this host; nothing was touched", facts.WatchUnit)
	}
	return nil
}

// takeAway carries out the order of a layout that lends nothing: its steps are the
// removal of the watch and the guard, with their undo if one of them fails.
func takeAway(c *cobra.Command, w *where, h host, j *journals, now facts.Survey) error {
	laid := assess.NewCase(&spec.Layout{Host: spec.Host{Name: now.Machine.Name, Libvirt: now.Libvirt.URI}}, facts.NewIndex(&now), nil)
	planned, err := order.Plan(laid, []assess.Finding{})
	if err != nil {
		return fail(exitFindings, "", "%w", err)
	}
	if len(planned.Steps) > 0 {
		sealed, err := order.Seal(planned)
		if err != nil {
			return err
		}
		approval, err := order.Approve(sealed, sealed.Code())
		if err != nil {
			return err
		}
		if err := carryOut(c, w, h, j, approval, "", false); err != nil {
			return err
		}
	}
	after, err := h.Survey.Survey(context.WithoutCancel(c.Context())) // interrupted or not, it has ended
	if err == nil && !none(after.Guard, after.Watch) {
		err = errors.New("it is still there")
	}
	if err != nil {
		return fail(exitPerson, "look at "+facts.GuardHook+" and "+facts.WatchUnit, "take away what orders have installed: %w", err)
	}
	return nil
}

// borrowing names the guests that have a PCI function in their definition.
func borrowing(survey facts.Survey) []string {
	var names []string
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			if len(d.Functions()) > 0 {
				names = append(names, g.Name)
				break
			}
		}
	}
	return names
}
