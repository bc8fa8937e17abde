package main

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/emulated/parts"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/twin"
)

// trialsTake is how long those take together that are held where not every one is.
const trialsTake = 6 * time.Minute

// mostKilled is how many steps are chosen at which lendkeep is killed; the plug is
// pulled at one.
const mostKilled = 2

// worth ranks kinds of step by what being cut off there can show.
var worth = []string{"start guest", "set aside", "take back", "unmount", "mount", "make virtual functions", "write table", "make filesystem", "clear drive", "copy drive to image", "stop guest", "define guest", "write entry", "install guard"}

// trials gives what is tried of the order that was carried out and rolled back: it is
// cut off, and the host changes under it. The last one leaves a machine with one card
// more. Those that end with the order in force come before those that need it so.
func (t *trial) trials() []stage {
	var list []stage
	cuts := func(power bool, most int) {
		chosen := t.chosen(most)
		for i, n := range chosen {
			// A start that has begun goes on by itself: nothing else can be undone meanwhile.
			starts := t.planned.Order.Steps[n-1].Step.About().Kind == "start guest"
			forward := starts || (len(chosen)-i)%2 == 1
			c := cut{step: n, power: power, alone: forward, done: !forward && n < len(t.planned.Order.Steps), resume: forward}
			list = append(list, stage{c.String(), time.Minute, func(ctx context.Context) (string, error) { return t.cutOff(ctx, c) }})
		}
	}
	cuts(false, mostKilled)
	list = append(list, stage{"unplug what is lent", 90 * time.Second, t.unplugged})
	if t.every {
		list = append(list, stage{"boot without what was lent", 2 * time.Minute, t.missing})
	}
	cuts(true, 1)
	return append(list, stage{"boot with one more card in front of all others", 2 * time.Minute, t.inFront})
}

// chosen gives the steps at which an order is cut off, by their numbers: the first of
// each kind, that last of which most is learnt.
func (t *trial) chosen(most int) []int {
	var list []int
	rank := map[int]int{}
	seen := map[string]bool{}
	for i, w := range t.planned.Order.Steps {
		kind := w.Step.About().Kind
		if seen[kind] && !t.every {
			continue
		}
		seen[kind] = true
		list = append(list, i+1)
		if rank[i+1] = slices.Index(worth, kind); rank[i+1] < 0 {
			rank[i+1] = len(worth)
		}
	}
	if t.every {
		return list
	}
	slices.SortStableFunc(list, func(a, b int) int { return rank[a] - rank[b] })
	list = list[:min(most, len(list))]
	slices.Reverse(list)
	return list
}

// anew begins a trial: the order is planned on the twin once that is as before.
func (t *trial) anew(ctx context.Context) error {
	if t.inForce {
		if err := t.back(ctx); err != nil {
			return err
		}
	}
	if err := t.blank(ctx); err != nil {
		return err
	}
	t.before, t.guests = t.now, nil
	planned, err := t.order(t.now)
	if err != nil {
		return err
	}
	for _, w := range planned.Steps {
		if start, is := w.Step.(*step.StartGuest); is {
			t.guests = append(t.guests, start.Guest)
		}
	}
	t.planned, err = order.Seal(planned)
	return err
}

// blank empties the drives whose filling was undone: that empties their ends, and what
// lies between stays, for which an order would have a person name the drive.
func (t *trial) blank(ctx context.Context) error {
	var left []string
	for _, c := range t.now.Survey.Contents {
		if !c.Image && c.Bare() && !c.Blank {
			left = append(left, "/dev/"+c.Of)
		}
	}
	if len(left) == 0 {
		return nil
	}
	for _, device := range left {
		if _, err := t.must(ctx, "blkdiscard", "-f", device); err != nil {
			return err
		}
	}
	is, err := t.facts(ctx)
	t.now = is
	return err
}

// carriedOut has the order be in force, in memory too.
func (t *trial) carriedOut(ctx context.Context) error {
	if t.inForce {
		return nil
	}
	if err := t.anew(ctx); err != nil {
		return err
	}
	if err := t.inMemory(ctx, t.recorded); err != nil {
		return err
	}
	started := t.guests
	t.guests = nil // apply adds those that it sees
	_, err := t.apply(ctx)
	t.inForce, t.guests = true, started
	return err
}

// runs tells which of the order's guests run, by the kernel or in memory.
func (t *trial) runs(is *facts.Index) (list []string) {
	for _, name := range t.guests {
		if g := is.Guest(name); g != nil && g.Running {
			list = append(list, name)
		}
	}
	return list
}

// cutDown cuts the power of the order's guests that run, and waits until the guard has
// done with them.
func (t *trial) cutDown(ctx context.Context) error {
	result, err := t.must(ctx, "virsh", "-q", "list", "--name")
	if err != nil {
		return err
	}
	running := strings.Fields(result)
	for _, name := range t.guests {
		if !slices.Contains(running, name) {
			continue
		}
		if _, err := t.must(ctx, "virsh", "-q", "destroy", "--", name); err != nil {
			return err
		}
	}
	survey, err := t.memory.Survey(ctx)
	if err != nil {
		return err
	}
	for _, name := range t.runs(facts.NewIndex(&survey)) {
		if err := t.memory.EndByHand(name); err != nil {
			return err
		}
	}
	return t.guardDone(ctx, "after the guests' power was cut")
}

// boot pulls the plug and has a machine come up with the drives, as a host's own files
// have it.
func (t *trial) boot(ctx context.Context, m twin.Machine) error {
	if err := t.host.PowerCut(); err != nil {
		return err
	}
	if err := t.host.PowerOn(ctx, parts.Twin{Machine: m}); err != nil {
		return err
	}
	const script = "/run/each-boot"
	if err := t.host.WriteFile(ctx, script, []byte(parts.EachBoot(m)), 0o700); err != nil {
		return err
	}
	_, err := t.must(ctx, "sh", script)
	return err
}

// back has the twin be as before the trial.
func (t *trial) back(ctx context.Context) error {
	if err := t.cutDown(ctx); err != nil {
		return err
	}
	_, err := t.rollback(ctx)
	t.inForce = false
	return err
}

// lent gives a function that the order has lent, as the survey of the host knows it,
// and where it is; false: none.
func (t *trial) lent() (of, at facts.Address, found bool) {
	for _, r := range t.planned.Order.Controllers {
		for _, at := range r.Addresses() {
			if f := t.after.Function(at); f == nil || !f.OnVFIO() {
				continue
			}
			if of, known := t.machine.Of(at); known {
				return of, at, true
			}
		}
	}
	return facts.Address{}, facts.Address{}, false
}

// endsLike runs lendkeep there, which has to end as an order did in memory, and gives
// what it says then.
func (t *trial) endsLike(ctx context.Context, report carry.Report, err error, arguments ...string) (string, error) {
	exit := exitDone
	var f failure
	switch failed := ended(report, err, ""); {
	case errors.As(failed, &f):
		exit = f.code
	case failed != nil:
		exit = exitUsage
	}
	return t.exits(ctx, exit, arguments...)
}
