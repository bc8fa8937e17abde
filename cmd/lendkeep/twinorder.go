package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/since"
	"lendkeep/reconcile/step"
	"lendkeep/spec/plain"
)

// exits runs lendkeep there, which has to end as it does in memory, and gives what
// it says then. It acts for nobody while the guard is at a start.
func (t *trial) exits(ctx context.Context, exit int, arguments ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, orderTakesMost)
	defer cancel()
	for end := time.Now().Add(backTakesMost); ; {
		result, err := t.host.Run(ctx, append([]string{apart}, arguments...)...)
		switch {
		case err != nil:
			return "", err
		case result.Exit == exit:
			return result.Stderr, nil
		case result.Exit == exitLocked && time.Now().Before(end):
			continue
		}
		was := "it was done"
		if exit != exitDone {
			was = fmt.Sprintf("with %d (%s)", exit, exitMeanings[exit])
		}
		t.differs("lendkeep %s ended with exit code %d, in memory %s: %s", arguments[0], result.Exit, was, plain.Cut(strings.TrimSpace(result.Stderr), mostTold))
		return "", errDiffers
	}
}

// orderTakesMost bounds an order on the twin.
const orderTakesMost = 30 * time.Minute

func (t *trial) apply(ctx context.Context) (string, error) {
	o := t.planned.Order
	arguments, err := t.applying(ctx)
	if err != nil {
		return "", err
	}
	if _, err := t.exits(ctx, exitDone, arguments...); err != nil {
		return "", err
	}
	if t.after, err = t.facts(ctx); err != nil {
		return "", err
	}
	for i := range t.after.Survey.Libvirt.Guests {
		g := &t.after.Survey.Libvirt.Guests[i]
		if was := t.before.Guest(g.Name); g.Running && g.Kept != nil && (was == nil || !was.Running) {
			t.guests = append(t.guests, g.Name)
		}
	}
	in, err := t.held(ctx, "after the order", t.after)
	if err != nil {
		return "", err
	}
	for _, standing := range anew.Standing(o, in, t.after) {
		t.differs("%s", standing)
	}
	return "as in memory", nil
}

// applying puts the order that was planned into the twin, and gives the words by which
// lendkeep carries it out.
func (t *trial) applying(ctx context.Context) ([]string, error) {
	const name = "/run/twin.order"
	if err := t.host.WriteFile(ctx, name, t.planned.File(), 0o600); err != nil {
		return nil, err
	}
	arguments := []string{"apply", name, "--approve", t.planned.Code()}
	for _, serial := range t.planned.Order.Erases() {
		arguments = append(arguments, "--erase", serial)
	}
	return append(arguments, t.confirming()...), t.unheard(ctx, t.silent())
}

// confirming gives the options by which a person says that steps by hand are done.
func (t *trial) confirming() (options []string) {
	for _, guest := range t.planned.Order.ByHand() {
		options = append(options, "--confirmed", guest)
	}
	return options
}

// held tells where the kernel's host is not as the one in memory, which it gives.
func (t *trial) held(ctx context.Context, when string, is *facts.Index) (*facts.Index, error) {
	survey, err := t.memory.Survey(ctx)
	if err != nil {
		return nil, err
	}
	t.ownStores(&survey, is)
	t.rewritten(&survey, is)
	emptied(&survey, is)
	t.driversOf(&survey, is)
	in := facts.NewIndex(&survey)
	for _, c := range since.Changes(in, is) {
		t.differs("%s, in memory and by the kernel: %s", when, c.Text)
	}
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		there := is.Guest(g.Name)
		if there == nil || g.Kept == nil || there.Kept == nil || definition.Same(g.Kept.XML, there.Kept.XML) {
			continue
		}
		for _, line := range definition.Difference(g.Kept.XML, there.Kept.XML) {
			if !strings.HasPrefix(line, " ") {
				t.differs("%s, definition of guest %s: %s", when, g.Name, line)
			}
		}
	}
	return in, nil
}

// emptied takes over what ports with nothing on them say of their links: that is
// whatever is left of the last one (seen with QEMU 7.2.22).
func emptied(in *facts.Survey, is *facts.Index) {
	carrying := map[facts.Address]bool{}
	for i := range in.Functions {
		if up := in.Functions[i].Upstream; up != nil {
			carrying[*up] = true
		}
	}
	for i := range in.Functions {
		f := &in.Functions[i]
		if there := is.Function(f.Address); there != nil && f.HeaderType != 0 && !carrying[f.Address] {
			f.Link = there.Link
		}
	}
}

// driversOf takes over which driver the kernel finds for a function of the order's that
// in memory came back without one, where what it had before does not tell it: VFIO, what
// an override kept there, or none. All of NVMe comes back to one driver.
func (t *trial) driversOf(in *facts.Survey, is *facts.Index) {
	for i := range in.Functions {
		f := &in.Functions[i]
		there := is.Function(f.Address)
		was := t.before.Function(f.Address)
		if f.Driver != "" || there == nil || there.OnVFIO() || f.Class == facts.ClassNVMe {
			continue
		}
		if was == nil || was.Driver != "" && !was.OnVFIO() && !was.Overridden() {
			continue
		}
		if _, is := t.ordered(f.Address); is {
			f.Driver, f.Interfaces = there.Driver, there.Interfaces
		}
	}
}

// ownStores takes over the variable stores of the guests that run or were started:
// libvirt makes one where a definition names none (its firmware was chosen at the
// start), and what their firmware has written into them is theirs: nobody foretells it.
// One that only the definition of a run has named is in no survey after it.
func (t *trial) ownStores(in *facts.Survey, is *facts.Index) {
	for i := range is.Survey.Libvirt.Guests {
		g := &is.Survey.Libvirt.Guests[i]
		was := t.before.Guest(g.Name)
		if !g.Running && (was == nil || !was.Running) && !slices.Contains(t.guests, g.Name) {
			continue
		}
		if was != nil && was.Live != nil && !g.Running && is.Store(was.Live.Boot.NVRAM) == nil {
			in.Stores = slices.DeleteFunc(in.Stores, func(s facts.VariableStore) bool {
				return s.Path == was.Live.Boot.NVRAM && (g.Kept == nil || g.Kept.Boot.NVRAM != s.Path)
			})
		}
		for _, d := range g.Definitions() { // one that libvirt names itself is in the live one alone
			now := is.Store(d.Boot.NVRAM)
			if now == nil {
				continue
			}
			if i := slices.IndexFunc(in.Stores, func(s facts.VariableStore) bool { return s.Path == d.Boot.NVRAM }); i >= 0 {
				in.Stores[i] = *now
			} else {
				in.Stores = append(in.Stores, *now)
			}
		}
	}
}

// rewritten takes over the definitions that the order has written, where they hold what
// it wanted: libvirt rewrites what it is given (step.DefineGuest), its QEMU driver
// gives a lent function a place in the guest, which the test driver does not (measured
// with libvirt 9.0.0), and a new guest gets whichever UUID.
func (t *trial) rewritten(in *facts.Survey, is *facts.Index) {
	ix := facts.NewIndex(in)
	for _, w := range t.planned.Order.Steps {
		defined, ok := w.Step.(*step.DefineGuest)
		if !ok {
			continue
		}
		was, _ := defined.Stands(ix)
		now, _ := defined.Stands(is)
		if was == step.After && now == step.After {
			i := slices.IndexFunc(in.Libvirt.Guests, func(g facts.Guest) bool { return g.Name == defined.Guest })
			there := is.Guest(defined.Guest)
			in.Libvirt.Guests[i].Kept, in.Libvirt.Guests[i].UUID = there.Kept, there.UUID
		}
	}
}

// again holds that nothing is left to do.
func (t *trial) again(context.Context) (string, error) {
	left, err := t.order(t.after)
	if err != nil {
		return "", err
	}
	for _, w := range left.Steps {
		t.differs("planned again, there is still to do: %s", w.Step.About().Does)
	}
	return "nothing is left to do", nil
}

// rollingBack gives the words by which lendkeep undoes the order that was planned.
func (t *trial) rollingBack() []string {
	arguments := []string{"rollback"}
	for _, serial := range t.planned.Order.UndoErases() {
		arguments = append(arguments, "--erase", serial)
	}
	return arguments
}

// undone has the twin be what it was once the order was carried out: what that has
// started may run on.
func (t *trial) undone(ctx context.Context) (string, error) {
	if err := t.unheard(ctx, t.silentAfter()); err != nil {
		return "", err
	}
	return t.rollback(ctx)
}

// rollback has the twin be what it was.
func (t *trial) rollback(ctx context.Context) (string, error) {
	carrier, report, err := t.further()
	if err != nil {
		return "", err
	}
	report, err = carrier.Rollback(ctx, report)
	if _, err := t.endsLike(ctx, report, err, t.rollingBack()...); err != nil {
		return "", err
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	in, err := t.held(ctx, "rolled back", is)
	if err != nil {
		return "", err
	}
	first := t.now == nil // what a trial leaves besides is of no interest
	t.now = is
	if report.Ended != carry.Restored {
		t.left = append(t.left, fmt.Sprintf("the rollback ended %s: %s", report.Ended, report.Note))
	}
	before := *t.before.Survey
	before.Stores = slices.Clone(before.Stores)
	t.ownStores(&before, is)
	foretold := since.Changes(facts.NewIndex(&before), in)
	for _, c := range since.Changes(facts.NewIndex(&before), is) {
		if slices.ContainsFunc(foretold, func(f since.Change) bool { return f.Text == c.Text }) {
			if first {
				t.left = append(t.left, c.Text)
			}
		} else {
			t.differs("rolled back, the twin is not as before: %s", c.Text)
		}
	}
	return "the twin is as before", nil
}
