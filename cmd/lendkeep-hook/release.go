package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
)

// Limits of what is done while libvirt waits. As long as release takes, libvirt
// answers nobody who asks for this guest or for the list of guests (measured
// with libvirt 9.0.0: "virsh list" stands still until the hook has ended, other
// guests start meanwhile). By then libvirt has rebound the driver itself, and
// the drive with its partitions is there within a second even on an emulated
// host; what is not there soon is looked after by a process of its own.
const (
	releaseWithin = 2 * time.Second
	pause         = 100 * time.Millisecond
)

// release mounts what belongs on a controller that its guest has let go.
// Nothing that goes wrong here is libvirt's matter; log and history have it.
func release(guest string, from io.Reader, here surroundings) {
	here.grants.End(guest)
	text, call, err := about(guest, from)
	if err != nil || len(call.Definition.Functions()) == 0 {
		return
	}
	began, mounted := here.now(), []string{}
	for {
		seen, err := here.once(call, nil)
		mounted = append(mounted, seen.mounted...)
		switch {
		case errors.Is(err, errOwned):
			here.note(watch.Event{At: here.now().UTC(), Kind: watch.Released, Guest: guest})
			return
		case passes(err):
			here.handOn(guest, text, began, mounted, []string{err.Error()})
			return
		case err != nil:
			here.tell(guest, "what it borrowed was not looked after: %v; lendkeep plan LAYOUT -o FILE writes the order that mends it", err)
			here.noteReturn(guest, began, mounted, guard.Return{Wrong: []string{err.Error()}}, "")
			return
		case len(seen.Wait) == 0:
			here.wrong(guest, seen.Words())
			here.noteReturn(guest, began, mounted, seen.Return, "")
			return
		case here.now().Sub(began) >= releaseWithin:
			here.handOn(guest, text, began, mounted, seen.Waits())
			return
		}
		here.wait(pause)
	}
}

// passes tells whether what keeps a return from being looked after is over some
// time: a lock of somebody else, an order, a host that does not answer.
func passes(err error) bool {
	var hung endless
	return errors.Is(err, hook.ErrLocked) || errors.Is(err, errOrdered) || errors.As(err, &hung)
}

// handOn leaves to a process of its own what is not back.
func (here surroundings) handOn(guest, text string, began time.Time, mounted, missing []string) {
	var wrong []string
	if err := here.later(guest, text); err != nil {
		wrong = missing
		here.tell(guest, "%s, and could not be waited for: %v; lendkeep plan LAYOUT -o FILE writes the order that mends it", strings.Join(wrong, "; "), err)
	}
	here.noteReturn(guest, began, mounted, guard.Return{Wrong: wrong}, "")
}

// noteReturn leaves a note for the history; rung is what brought something back.
func (here surroundings) noteReturn(guest string, began time.Time, mounted []string, seen guard.Return, rung string) {
	now := here.now()
	for _, text := range seen.Left {
		here.tell(guest, "%s", text)
	}
	here.note(watch.Event{At: now.UTC(), Kind: watch.Released, Guest: guest, Took: now.Sub(began), Rung: rung, Mounted: mounted, Wrong: seen.Wrong, NotMade: seen.Not, Left: seen.Left})
}

// about reads which guest a call is about.
func about(guest string, from io.Reader) (string, guard.Call, error) {
	call := guard.Call{Guest: guest}
	text, err := readBounded(from)
	if err == nil {
		call.Definition, err = definition.Read(text)
	}
	return text, call, err
}

// While an order is carried out, mounts are its matter. What one of its own guests
// lets go it looks after itself.
var (
	errOrdered = errors.New("an order is being carried out")
	errOwned   = errors.New("an order is being carried out, which sees to it")
)

// outcome is what one look has come to.
type outcome struct {
	guard.Return
	mounted []string // paths
}

// once looks at the host, mounts what can be mounted, and has act do more about
// what is missing; all under one lock, so that no start is granted in between.
func (here surroundings) once(call guard.Call, act func(*facts.Index, []guard.Missing)) (outcome, error) {
	done, err := here.grants.Lock(here.wait)
	if err != nil {
		return outcome{}, err
	}
	defer done()
	unlock, ordered := here.underWay()
	defer unlock()
	switch {
	case ordered != nil && ordered.Owns(call.Guest):
		return outcome{}, errOwned
	case ordered != nil:
		return outcome{}, errOrdered
	}
	if call.Granted, err = here.grants.List(); err != nil {
		return outcome{}, err
	}
	host, err := here.looksInto(call)
	if err != nil {
		return outcome{}, err
	}
	ix := facts.NewIndex(&host.survey)
	seen := outcome{Return: guard.After(host.rules, ix, call)}
	seen.mount(call.Guest, here)
	if act != nil {
		act(ix, seen.Wait)
	}
	return seen, nil
}

// looksInto looks at what a guest has let go, and how the filesystems were left that
// the rules mount. Of a guest that has ended nothing is held.
func (here surroundings) looksInto(call guard.Call) (sight, error) {
	seen, err := look(here, func(_ context.Context, rules guard.Rules) facts.Question { return guard.AsksAfter(rules, call) })
	if err != nil {
		return sight{}, err
	}
	return within(here.limits.look, "looking into the drives", func(context.Context) (sight, error) {
		here.contents(&seen.survey, seen.rules)
		return seen, nil
	})
}

// mount makes the mounts of a look. What belongs into one that could not be made
// must not come before it.
func (seen *outcome) mount(guest string, here surroundings) {
	var failed []string
	for _, m := range seen.Mount {
		if slices.ContainsFunc(failed, func(outer string) bool { return guard.Within(m.Path, outer) }) {
			seen.not(m, "what it belongs into is not mounted")
			continue
		}
		if err := mount(guest, m, here); err != nil {
			seen.not(m, err.Error())
			failed = append(failed, m.Path)
			continue
		}
		seen.mounted = append(seen.mounted, m.Path)
	}
}

func (seen *outcome) not(m guard.Mounting, why string) {
	seen.Not = append(seen.Not, guard.NotMade{Controller: m.Controller, Partition: m.Partition, Path: m.Path, Why: why})
}

func mount(guest string, m guard.Mounting, here surroundings) error {
	if _, err := within(here.limits.mount, "mounting "+m.Path, func(ctx context.Context) (struct{}, error) {
		return struct{}{}, here.mounts.Mount(ctx, m.Device, m.FSType, m.Path, m.Options)
	}); err != nil {
		return err
	}
	here.tell(guest, "%s is mounted at %s", m.Partition, m.Path)
	return nil
}

func (here surroundings) wrong(guest string, list []string) {
	if len(list) > 0 {
		here.tell(guest, "%s; lendkeep plan LAYOUT -o FILE writes the order that mends it", strings.Join(list, "; "))
	}
}

func (here surroundings) tell(guest, format string, values ...any) {
	here.log("lendkeep: guest " + guest + " has ended; " + fmt.Sprintf(format, values...))
}
