package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
)

// prepare checks a start before libvirt has touched a device. An error is the
// reason why the guest must not start. Whoever borrows takes the lock; so does, once
// that is known of it, who lives on a mount that another start may unmount.
func prepare(guest string, from io.Reader, here surroundings) error {
	text, err := readBounded(from)
	if err != nil {
		return fmt.Errorf("its definition could not be read: %w", err)
	}
	call := guard.Call{Guest: guest}
	if call.Definition, err = definition.Read(text); err != nil {
		if !mayLend(text) {
			return nil
		}
		return fmt.Errorf("its definition could not be understood: %w", err)
	}
	verdict, unmounted := guard.Verdict{}, []string(nil)
	turn := len(call.Definition.Functions()) > 0
	if !turn {
		verdict, err = here.judge(call)
		turn = err == nil && len(verdict.Lives) > 0
	}
	if turn {
		verdict, unmounted, err = here.judgeInTurn(call)
	}
	if err != nil {
		return err
	}
	for _, note := range append(verdict.Notes, verdict.Alarms...) {
		here.log("lendkeep: guest " + guest + " starts, but " + note)
	}
	tell(guest, verdict, unmounted, here)
	return nil
}

// judge decides on a start with the host as it is.
func (here surroundings) judge(call guard.Call) (guard.Verdict, error) {
	unlock, ordered := here.underWay()
	defer unlock()
	call.Ordered = ordered
	return here.refusing(call)
}

func (here surroundings) refusing(call guard.Call) (guard.Verdict, error) {
	verdict := decide(call, here)
	if verdict.Refuse != "" {
		return verdict, errors.New(verdict.Refuse)
	}
	return verdict, nil
}

// judgeInTurn decides on a start while nothing else of the guard is at work and no
// order begins, unmounts what is in the way, and notes what the guest counts on
// until libvirt has it.
func (here surroundings) judgeInTurn(call guard.Call) (verdict guard.Verdict, unmounted []string, err error) {
	done, err := here.grants.Lock(here.wait)
	if err != nil {
		return verdict, nil, err
	}
	defer done()
	if call.Granted, err = here.grants.List(); err != nil {
		return verdict, nil, err
	}
	unlock, ordered := here.underWay()
	defer unlock()
	call.Ordered = ordered
	if verdict, err = here.refusing(call); err != nil {
		return verdict, nil, err
	}
	if unmounted = verdict.Unmount; len(unmounted) > 0 {
		if verdict, err = unmount(call, verdict, here); err != nil {
			return verdict, nil, err
		}
	}
	return verdict, unmounted, here.grants.Grant(grantsOf(call, verdict))
}

// grantsOf gives everything that a guest counts on until libvirt has it.
func grantsOf(call guard.Call, verdict guard.Verdict) []guard.Grant {
	var list []guard.Grant
	for _, at := range call.Definition.Functions() {
		list = append(list, guard.Grant{Guest: call.Guest, Address: at})
	}
	for _, place := range verdict.Lives {
		list = append(list, guard.Grant{Guest: call.Guest, Place: place})
	}
	return list
}

// underWay tells what an order that is being carried out says of itself; nil where
// lendkeep carries none out: then none begins before unlock is called. lendkeep holds
// the lock until an order has ended.
func (here surroundings) underWay() (unlock func(), ordered *guard.Ordered) {
	lock := files.HeldLock(here.lock)
	free, err := lock.TryRLock()
	switch {
	case errors.Is(err, fs.ErrNotExist): // no order was ever carried out
		return func() {}, nil
	case err != nil: // nobody knows
		return func() {}, &guard.Ordered{}
	case free:
		return func() { _ = lock.Close() }, nil
	}
	_ = lock.Close()
	said := here.word.Heard()
	return func() {}, &said
}

// tell leaves a note of a start that goes on: a lend without one is none that
// was checked.
func tell(guest string, verdict guard.Verdict, unmounted []string, here surroundings) {
	if len(verdict.Lends) > 0 {
		here.note(watch.Event{At: here.now().UTC(), Kind: watch.Checked, Guest: guest, Controllers: verdict.Lends, Unmounted: unmounted})
	}
	for _, text := range verdict.Alarms {
		here.note(watch.Event{At: here.now().UTC(), Kind: watch.Warned, Guest: guest, Text: "guest " + guest + " starts, but " + text})
	}
}

// mayLend tells by words alone whether a definition may lend a PCI function; of
// one without an end nobody knows.
func mayLend(text string) bool {
	whole := strings.HasSuffix(strings.TrimSpace(text), "</domain>")
	return !whole || strings.Contains(text, "hostdev") || strings.Contains(text, "nvme") || strings.Contains(text, "vfio")
}

// unmount unmounts what the verdict says and looks again: only a host that
// needs no more is started on.
func unmount(call guard.Call, verdict guard.Verdict, here surroundings) (guard.Verdict, error) {
	if _, err := within(here.limits.unmount, "unmounting "+strings.Join(verdict.Unmount, ", "), func(ctx context.Context) (struct{}, error) {
		for _, place := range verdict.Unmount {
			if err := here.mounts.Unmount(ctx, place); err != nil {
				return struct{}{}, err
			}
			here.log(fmt.Sprintf("lendkeep: %s was unmounted for guest %s", place, call.Guest))
		}
		return struct{}{}, nil
	}); err != nil {
		return verdict, err
	}
	again := decide(call, here)
	switch {
	case again.Refuse != "":
		return again, errors.New(again.Refuse)
	case len(again.Unmount) > 0:
		return again, fmt.Errorf("%s is still mounted after it was unmounted", again.Unmount[0])
	}
	return again, nil
}

// decide looks at the host as it is now and asks the rules. Names of functions are
// looked up only where people read them.
func decide(call guard.Call, here surroundings) guard.Verdict {
	seen, err := look(here, func(ctx context.Context, rules guard.Rules) facts.Question {
		located := rules.Located(call.Definition)
		return guard.Asks(rules, call, here.paths(ctx, located.Paths()))
	})
	if err != nil {
		return guard.Blind(call, err)
	}
	verdict := guard.Before(seen.rules, facts.NewIndex(&seen.survey), call)
	if verdict.Refuse == "" {
		return verdict
	}
	named, err := here.named(seen.survey)
	if err != nil {
		return verdict // its words do without
	}
	return guard.Before(seen.rules, facts.NewIndex(&named), call)
}

// named gives a survey with what functions are called.
func (here surroundings) named(seen facts.Survey) (facts.Survey, error) {
	seen.Functions = slices.Clone(seen.Functions)
	return within(here.limits.names, "looking names up", func(context.Context) (facts.Survey, error) {
		here.names(&seen)
		return seen, nil
	})
}

// sight is what a look sees.
type sight struct {
	survey facts.Survey
	rules  guard.Rules
}

// look reads the rules, and of the host what is asked for by them. Who holds the
// functions in the question, and what would be written, the kernel is asked.
func look(here surroundings, ask func(context.Context, guard.Rules) facts.Question) (sight, error) {
	return within(here.limits.look, "reading the host", func(ctx context.Context) (seen sight, err error) {
		if seen.rules, err = guard.Installed(here.rules()); err != nil {
			return seen, err
		}
		q := ask(ctx, seen.rules)
		if seen.survey, err = here.survey(ctx, q); err != nil {
			return seen, err
		}
		here.ask(ctx, &seen.survey, q.Functions...)
		here.askDisks(ctx, &seen.survey, q.Writes...)
		return seen, nil
	})
}
