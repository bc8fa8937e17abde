package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// end ends the guests that were started, as their systems do when they are told to.
func (t *trial) end(ctx context.Context) (string, error) {
	if len(t.guests) == 0 {
		return "the order has started none", nil
	}
	if err := t.toldOfHooks(ctx); err != nil {
		return "", err
	}
	for _, guest := range t.guests {
		if !t.answers(guest) {
			t.untried = append(t.untried, anew.Difference{Step: "end guest " + guest + " by its power button", Lacks: "no system starts in it on the twin, so its power is cut"})
			if _, err := t.must(ctx, "virsh", "-q", "destroy", "--", guest); err != nil {
				return "", err
			}
			continue
		}
		off, err := t.ended(ctx, guest)
		if err != nil {
			return "", err
		}
		if !off {
			t.differs("guest %s does not answer the power button", guest)
			return "", errDiffers
		}
	}
	return t.compared(ctx, "after the guests' end", t.memory.EndByHand)
}

// Firmware takes most of two minutes without KVM until what it starts listens.
const (
	endTakesMost  = 6 * time.Minute
	backTakesMost = 3 * time.Minute
)

// answers tells whether a stand-in starts in a guest: from an image that was made, or
// by UEFI from what the guest boots from and from nothing else, since OVMF passes over
// whatever a boot order leaves out.
func (t *trial) answers(guest string) bool {
	g := t.after.Guest(guest)
	if stated := t.there.Guest(guest); stated != nil && stated.Boots != nil && g.Kept.Boot.Firmware == "uefi" {
		return t.startsFrom(*t.there.Controller(stated.Boots.Name))
	}
	return slices.ContainsFunc(g.Kept.Disks, func(d facts.Disk) bool { return t.machine.Image(d.Source) })
}

// startsFrom tells whether a stand-in lies on the drive of a controller, or was copied
// there.
func (t *trial) startsFrom(c spec.Controller) bool {
	if c.Drive != nil && c.Drive.CopyOf != "" {
		return t.machine.Image(c.Drive.CopyOf)
	}
	for _, known := range t.planned.Order.Controllers {
		if of, is := t.machine.Of(known.Address); is && known.Controller == c.Name {
			return t.machine.StandIn(of) && !slices.Contains(t.planned.Order.Erases(), known.Serial)
		}
	}
	return false
}

// ended presses a guest's power button until it is off.
func (t *trial) ended(ctx context.Context, guest string) (bool, error) {
	for end := time.Now().Add(endTakesMost); time.Now().Before(end); {
		result, err := t.host.Shell(ctx, fmt.Sprintf(`virsh -q shutdown -- %[1]s >/dev/null 2>&1 || true; sleep 3; virsh -q domstate -- %[1]s`, plain.Quoted(guest)))
		if err != nil || ctx.Err() != nil {
			return false, errors.Join(err, ctx.Err())
		}
		if strings.Contains(result.Stdout, "shut off") {
			return true, nil
		}
	}
	return false, nil
}

// compared waits until the guard has ended what it was at, and holds the twin against
// the host in memory after the same was done to the guests there.
func (t *trial) compared(ctx context.Context, when string, do func(guest string) error) (string, error) {
	if err := t.guardDone(ctx, when); err != nil {
		return "", err
	}
	for _, guest := range t.guests {
		if err := do(guest); err != nil {
			t.differs("%s, in memory: %s", when, err)
		}
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	_, err = t.held(ctx, when, is)
	return "as in memory", err
}

// guardDone waits until the guard has ended what it was at.
func (t *trial) guardDone(ctx context.Context, when string) error {
	result, err := t.host.Shell(ctx, fmt.Sprintf(`n=0; while pgrep -x lendkeep-hook >/dev/null; do sleep 0.2; n=$((n+1)); [ $n -lt %d ] || exit 1; done`, int(backTakesMost/(200*time.Millisecond))))
	if err == nil && result.Exit != 0 {
		t.differs("%s the guard does not come to an end", when)
	}
	return err
}

// cut starts the guests without lendkeep, and ends them as a power cut does.
func (t *trial) cut(ctx context.Context) (string, error) {
	if len(t.guests) == 0 {
		return "the order has started none", nil
	}
	for _, deed := range []struct {
		word, when string
		do         func(guest string) error
	}{
		{"start", "after a start by hand", func(guest string) error { return t.memory.StartByHand(ctx, guest) }},
		{"destroy", "after the guests' power was cut", t.memory.EndByHand},
	} {
		for _, guest := range t.guests {
			result, err := t.host.Run(ctx, "virsh", "-q", deed.word, "--", guest)
			if err != nil {
				return "", err
			}
			if err := result.Err(); err != nil {
				t.differs("%s", err)
				return "", errDiffers
			}
		}
		if _, err := t.compared(ctx, deed.when, deed.do); err != nil {
			return "", err
		}
	}
	return "as in memory", nil
}
