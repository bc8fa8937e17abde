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
	"lendkeep/reconcile/step"
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
		if !t.answers(t.after, t.after.Guest(guest).Live, t.comesToHave) {
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

const backTakesMost = 3 * time.Minute

// answers tells whether a stand-in starts in a guest: from an image that was made, or by
// UEFI from a drive that has one. Neither QEMU's BIOS nor OVMF starts from what a boot
// order leaves out (libvirt asks for -boot strict=on), and Secure Boot starts nothing that
// is not signed, as a stand-in is not.
func (t *trial) answers(ix *facts.Index, d *facts.Definition, has func(at facts.Address) bool) bool {
	if d.Boot.Firmware == "uefi" && ix.SecureBoot(d.Boot).On != facts.Absent {
		return false
	}
	inOrder := func(is func(facts.Ranked) bool) bool {
		return len(d.Boot.Ranked) == 0 || slices.ContainsFunc(d.Boot.Ranked, is)
	}
	return slices.ContainsFunc(d.Disks, func(disk facts.Disk) bool {
		return disk.Device == "disk" && t.machine.Image(disk.Source) && inOrder(func(r facts.Ranked) bool { return r.Device == "disk "+disk.Target })
	}) || d.Boot.Firmware == "uefi" && len(d.Boot.Kinds) == 0 && slices.ContainsFunc(d.Hostdevs, func(h facts.Hostdev) bool {
		return has(h.Address) && inOrder(func(r facts.Ranked) bool { return r.Hostdev != nil && *r.Hostdev == h.Address })
	})
}

// had tells whether a stand-in lies on the drive of a function before the order.
func (t *trial) had(at facts.Address) bool {
	of, is := t.machine.Of(at)
	return is && t.machine.StandIn(of)
}

// comesToHave tells whether one lies there after the order: it may have copied one, and
// may have erased the drive.
func (t *trial) comesToHave(at facts.Address) bool {
	known, is := t.ordered(at)
	if !is {
		return t.had(at)
	}
	if c := t.there.Controller(known.Controller); c != nil && c.Drive != nil && c.Drive.CopyOf != "" {
		return t.machine.Image(c.Drive.CopyOf)
	}
	return t.had(at) && !slices.Contains(t.planned.Order.Erases(), known.Serial)
}

// silent gives the guests that the order shuts down and that answer no power button.
func (t *trial) silent() (list []string) {
	for _, w := range t.planned.Order.Steps {
		if stop, is := w.Step.(*step.StopGuest); is {
			if runs := t.before.Guest(stop.Guest).Live; runs != nil && !t.answers(t.before, runs, t.had) {
				list = append(list, stop.Guest)
			}
		}
	}
	return list
}

// silentAfter gives those that it has started and that still run, which its undo shuts
// down.
func (t *trial) silentAfter() (list []string) {
	for _, w := range t.planned.Order.Steps {
		if start, is := w.Step.(*step.StartGuest); is {
			if g := t.after.Guest(start.Guest); g != nil && g.Live != nil && !t.answers(t.after, g.Live, t.comesToHave) {
				list = append(list, start.Guest)
			}
		}
	}
	return list
}

// onButton cuts the power of a guest, $1, when its button is pressed, and waits for that
// in the background as long as an order may take.
var onButton = fmt.Sprintf(`setsid sh -c 'virsh -q qemu-monitor-event --domain "$1" --event POWERDOWN --timeout %d && virsh -q destroy -- "$1"' sh "$1" </dev/null >/dev/null 2>&1 &`, int(orderTakesMost.Seconds()))

// unheard has guests that answer no power button lose their power by it, so that an order
// goes on.
func (t *trial) unheard(ctx context.Context, guests []string) error {
	for _, guest := range guests {
		if _, err := t.must(ctx, "sh", "-c", onButton, "sh", guest); err != nil {
			return err
		}
	}
	return nil
}

// ended presses a guest's power button until it is off.
func (t *trial) ended(ctx context.Context, guest string) (bool, error) {
	for end := time.Now().Add(anew.ShutsDownWithin); time.Now().Before(end); {
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
