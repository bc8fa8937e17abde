package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
	"lendkeep/spec/plain"
)

// inFront puts one more card in front of all others while the order is in force, so
// that addresses are other cards' now. It leaves the twin like that.
func (t *trial) inFront(ctx context.Context) (string, error) {
	if err := t.carriedOut(ctx); err != nil {
		return "", err
	}
	crowded, serial, room := t.machine.InFront()
	if !room {
		if err := t.back(ctx); err != nil {
			return "", err
		}
		return "", notTried("the machine has no slot left")
	}
	was := t.before
	if err := t.boot(ctx, crowded); err != nil {
		return "", err
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	if len(is.BySerial(serial)) != 1 {
		return "", fmt.Errorf("the card that was added (%s) is not there", serial)
	}
	t.foundAgain(was, is, crowded)
	if err := t.startMoved(ctx, is, crowded); err != nil {
		return "", err
	}
	moved := 0
	for i, p := range t.machine.Places {
		if p.To != crowded.Places[i].To {
			moved++
		}
	}
	t.machine, t.inForce = crowded, false // what was rolled back goes by addresses of before
	if t.now, err = t.facts(ctx); err != nil {
		return "", err
	}
	if err := t.carriedOut(ctx); err != nil {
		return "", err
	}
	return plain.Count(moved, "function") + " moved; planned again, carried out and rolled back as in memory", t.back(ctx)
}

// moved gives where a function of the twin is among other cards.
func (t *trial) moved(at facts.Address, crowded twin.Machine) (facts.Address, bool) {
	of, known := t.machine.Of(at)
	if !known {
		return facts.Address{}, false
	}
	return crowded.Place(of)
}

// foundAgain holds that every controller of the layout is found at its new place.
func (t *trial) foundAgain(was, is *facts.Index, crowded twin.Machine) {
	before, now := assess.NewCase(t.there, was, nil), assess.NewCase(t.there, is, nil)
	for _, c := range t.there.Controllers {
		f := before.Found(c.Name).Function
		if f == nil {
			continue
		}
		want, known := t.moved(f.Address, crowded)
		switch found := now.Found(c.Name).Function; {
		case !known:
		case found == nil:
			t.differs("controller %s is not found behind the card that was added", c.Name)
		case found.Address != want:
			t.differs("controller %s is found at %s, it is at %s", c.Name, found.Address, want)
		}
	}
}

// startMoved starts by hand every guest that borrows by a definition from before. What
// is at the address now and is not meant must not be taken, whoever is asked.
func (t *trial) startMoved(ctx context.Context, is *facts.Index, crowded twin.Machine) error {
	host := memory.Rehearse(*is.Survey, t.asked(ctx)).(standing)
	t.memory, t.guests = host, nil
	for i := range is.Survey.Libvirt.Guests {
		g := &is.Survey.Libvirt.Guests[i]
		if g.Running || g.Kept == nil || len(g.Kept.Hostdevs) == 0 {
			continue
		}
		started, err := t.host.Run(ctx, "virsh", "-q", "start", "--", g.Name)
		if err != nil {
			return err
		}
		in := host.StartByHand(ctx, g.Name)
		if (in == nil) != (started.Exit == 0) {
			t.differs("guest %s is started by hand when its card has moved: %s, in memory: %s", g.Name, inWords(started.Err()), inWords(in))
		}
		t.guests = []string{g.Name}
		if err := t.takenRightly(ctx, is, g, crowded); err != nil {
			return err
		}
		if err := t.cutDown(ctx); err != nil {
			return err
		}
	}
	return nil
}

// takenRightly holds that VFIO has nothing that it had not before, but the functions
// that the guest's definition meant.
func (t *trial) takenRightly(ctx context.Context, is *facts.Index, g *facts.Guest, crowded twin.Machine) error {
	if err := t.guardDone(ctx, "after a start by hand"); err != nil {
		return err
	}
	text, err := t.must(ctx, "sh", "-c", onVFIO)
	if err != nil {
		return err
	}
	for _, word := range strings.Fields(text) {
		at, err := facts.ParseAddress(word)
		if err != nil {
			continue // the driver's own files
		}
		meant := slices.ContainsFunc(g.Kept.Hostdevs, func(l facts.Hostdev) bool {
			to, known := t.moved(l.Address, crowded)
			return known && to == at
		})
		if f := is.Function(at); !meant && (f == nil || !f.OnVFIO()) {
			t.differs("guest %s was started by hand when its card had moved, and %s is lent", g.Name, at)
		}
	}
	return nil
}

// onVFIO lists what vfio-pci has.
const onVFIO = "ls /sys/bus/pci/drivers/vfio-pci 2>/dev/null || true"

func inWords(err error) string {
	if err == nil {
		return "it starts"
	}
	return plain.Cut(err.Error(), mostTold)
}
