package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
)

// Limits of one call: libvirt waits for it, and so does whoever starts a guest.
const (
	surveyWithin  = 5 * time.Second
	unmountWithin = 15 * time.Second // what was written must first reach the drive
)

// errNoRules is for a hook that is there without its rules.
var errNoRules = errors.New("its rules are missing at " + facts.GuardRules)

// prepare checks a start before libvirt has touched a device. An error is the
// reason why the guest must not start.
func prepare(guest string, from io.Reader, here surroundings) error {
	text, err := readDefinition(from)
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
	lends := len(call.Definition.Lent) > 0
	if lends {
		done, err := here.grants.Turn(here.wait)
		if err != nil {
			return err
		}
		defer done()
		if call.Granted, err = here.grants.List(); err != nil {
			return err
		}
	}
	hold, ordered := orderUnderWay(here.lock)
	defer hold()
	call.Ordered = ordered
	verdict := decide(call, here)
	if verdict.Refuse != "" {
		return errors.New(verdict.Refuse)
	}
	unmounted := verdict.Unmount
	if len(verdict.Unmount) > 0 {
		if verdict, err = unmount(call, verdict, here); err != nil {
			return err
		}
	}
	if lends {
		if err := here.grants.Grant(guest, call.Definition); err != nil {
			return err
		}
	}
	for _, note := range append(verdict.Notes, verdict.Alarms...) {
		here.log("lendkeep: guest " + guest + " starts, but " + note)
	}
	tell(guest, verdict, unmounted, here)
	return nil
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
	for _, place := range verdict.Unmount {
		ctx, cancel := context.WithTimeout(context.Background(), unmountWithin)
		err := here.mounts.Unmount(ctx, place)
		cancel()
		if err != nil {
			return verdict, err
		}
		here.log(fmt.Sprintf("lendkeep: %s was unmounted for guest %s", place, call.Guest))
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

// decide looks at the host as it is now and asks the rules.
func decide(call guard.Call, here surroundings) guard.Verdict {
	survey, rules, err := look(here, call.Definition)
	if err != nil {
		return guard.Blind(call, err)
	}
	return guard.Before(rules, facts.NewIndex(&survey), call)
}

// look reads host and rules, finds where the paths of a definition lead, and
// asks the kernel who holds the functions in it.
func look(here surroundings, d facts.Definition) (facts.Survey, guard.Rules, error) {
	ctx, cancel := context.WithTimeout(context.Background(), surveyWithin)
	defer cancel()
	survey, err := here.survey(ctx, d.Paths())
	if err != nil {
		return survey, guard.Rules{}, err
	}
	here.ask(ctx, &survey, d.Functions()...)
	for _, gap := range survey.Guard.Gaps {
		if gap.Path == facts.GuardRules {
			return survey, guard.Rules{}, fmt.Errorf("read rules %s: %s", gap.Path, gap.Reason)
		}
	}
	if survey.Guard.Rules == "" {
		return survey, guard.Rules{}, errNoRules
	}
	rules, err := guard.Decode(survey.Guard.Rules)
	return survey, rules, err
}
