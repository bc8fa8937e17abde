package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/emulated/parts"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// goneTakesMost is how long a card may take to be gone once its slot's button was
// pressed and nobody has it any more.
const goneTakesMost = time.Minute

const nothingLent = "the order lends nothing"

// unplugged takes the card that is lent out of the running twin. The order cannot be
// undone then, until it is there again.
func (t *trial) unplugged(ctx context.Context) (string, error) {
	if err := t.carriedOut(ctx); err != nil {
		return "", err
	}
	of, at, found := t.lent()
	if !found {
		return nothingLent, nil
	}
	if err := t.host.Unplug(ctx, parts.Twin{Machine: t.machine}.Card(of)); err != nil {
		return "", notTried("QEMU cannot unplug it: " + err.Error())
	}
	t.memory.Unplug(at)
	if err := t.cutDown(ctx); err != nil {
		return "", err
	}
	gone, err := t.host.Shell(ctx, fmt.Sprintf(`n=0; while [ -e /sys/bus/pci/devices/%s ]; do sleep 0.2; n=$((n+1)); [ $n -lt %d ] || exit 1; done`, at, int(goneTakesMost/(200*time.Millisecond))))
	if err != nil {
		return "", err
	}
	if gone.Exit != 0 {
		return "", fmt.Errorf("%s was unplugged and is still there", at)
	}
	return t.withoutIt(ctx, at)
}

// missing has the card that is lent not be there at the next boot.
func (t *trial) missing(ctx context.Context) (string, error) {
	if err := t.carriedOut(ctx); err != nil {
		return "", err
	}
	of, at, found := t.lent()
	if !found {
		return nothingLent, nil
	}
	if err := t.boot(ctx, t.machine.Without(of)); err != nil {
		return "", err
	}
	t.memory.PowerCutWithout(at)
	return t.withoutIt(ctx, at)
}

// withoutIt undoes the order while a card is gone, which a person has to hear of, and
// once more when it is back.
func (t *trial) withoutIt(ctx context.Context, at facts.Address) (string, error) {
	carrier, report, err := t.further()
	if err != nil {
		return "", err
	}
	report, err = carrier.Rollback(ctx, report)
	said, err := t.endsLike(ctx, report, err, t.rollingBack()...)
	if err != nil {
		return "", err
	}
	what := t.called(at)
	if !strings.Contains(said, what) {
		t.differs("%s is gone, and lendkeep does not say so: %s", what, plain.Cut(strings.TrimSpace(said), mostTold))
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	if _, err := t.held(ctx, "undone without "+what, is); err != nil {
		return "", err
	}
	if err := t.boot(ctx, t.machine); err != nil {
		return "", err
	}
	t.memory.PowerCut()
	return fmt.Sprintf("%s without it, and rolled back once it was there, as in memory", report.Ended), t.back(ctx)
}

// called gives what a person knows the card by that the order has lent at an address:
// its serial, or else the controller's name.
func (t *trial) called(at facts.Address) string {
	r, is := t.ordered(at)
	if !is {
		return at.String()
	}
	return cmp.Or(r.Serial, r.Controller)
}

// ordered gives the controller of the order that has a function; false: none.
func (t *trial) ordered(at facts.Address) (facts.Identity, bool) {
	i := slices.IndexFunc(t.planned.Order.Controllers, func(r facts.Identity) bool { return r.Has(at) })
	if i < 0 {
		return facts.Identity{}, false
	}
	return t.planned.Order.Controllers[i], true
}
