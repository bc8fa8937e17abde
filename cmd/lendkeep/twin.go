package main

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/parts"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
)

// twinning is what rehearse --twin was asked for.
type twinning struct {
	layout string // empty: the one that the order names
	keep   bool
	every  bool
	bare   bool // without trials
	json   bool
}

// inMemory advises the rehearsal that needs nothing of what is missing.
const inMemory = "without --twin nothing of it is needed: the order is rehearsed in memory"

// rehearse carries an order out on a machine made from the survey, and holds every
// answer of its kernel against the rehearsal in memory.
func (w twinning) rehearse(c *cobra.Command, sealed order.Sealed, survey facts.Survey) error {
	if w.keep && terminalOf(c) == nil {
		return fail(exitUsage, "call it at a terminal, or without --keep", "--keep gives a shell, and there is no terminal for it")
	}
	layout, err := w.layoutOf(sealed.Order, survey.Machine)
	if err != nil {
		return err
	}
	if err := emulated.MissingInstalled(); err != nil {
		return fail(exitUsage, "install what is named (apt-get install PACKAGE), or free memory; "+inMemory, "%w", err)
	}
	programs, err := findPrograms()
	if err != nil {
		return err
	}
	t := &trial{programs: programs, every: w.every, given: sealed, layout: layout, survey: facts.NewIndex(&survey), machine: twin.Of(survey),
		told: newProgress(c.ErrOrStderr()), out: &text{w: c.OutOrStdout()}}
	defer t.told.end()
	defer t.close()
	t.foretell()
	if w.json {
		t.out.w = io.Discard
	}
	if err := printForetold(t.out, t.report); err != nil {
		return err
	}
	failed := t.booted(c, w)
	if w.json {
		failed = errors.Join(printJSON(c.OutOrStdout(), twinned{Report: t.report}), failed)
	}
	return failed
}

// booted runs the stages on the twin, which is gone in the end.
func (t *trial) booted(c *cobra.Command, w twinning) (err error) {
	ctx := c.Context()
	var host *emulated.Host
	boot := stage{"boot the machine", bootTakes, func(ctx context.Context) (said string, err error) {
		host, err = emulated.StartInstalled(ctx, parts.Twin{Machine: t.machine}, t.programs.agent, c.ErrOrStderr())
		t.host = host
		return "the kernel and libvirt answer", err
	}}
	defer func() {
		if host != nil {
			err = errors.Join(err, host.Close())
		}
	}()
	then := trialsTake
	if w.bare {
		then = 0
	}
	failed := t.goThrough(ctx, "stage", append([]stage{boot}, t.stages()...), then, &t.report.Stages)
	if failed == nil && !w.bare {
		failed = t.goThrough(ctx, "trial", t.trials(), 0, &t.report.Trials)
	}
	t.complete(failed)
	if failed != nil && host != nil {
		t.out.line("")
		t.out.line("The console's last lines:")
		for line := range strings.Lines(host.LastLines()) {
			t.out.line("  %s", strings.TrimSpace(line))
		}
	}
	if t.report.Failed == "" || len(t.differences) > 0 {
		if err := printEnd(t.out, t.report); err != nil {
			return err
		}
	}
	if w.keep && host != nil && host.On() {
		if err := prompt(c, host); err != nil {
			return err
		}
	}
	switch {
	case t.report.Failed != "":
		return fail(exitUsage, "look at the console's lines above; "+inMemory, "rehearse on a twin: %w", failed)
	case !t.report.Good:
		return fail(exitFindings, "read what differs before you apply this order: what the twin lacks was not tried, all else is a mistake of lendkeep's or of this order", "the twin did not do all that was foretold")
	}
	return nil
}

// layoutOf gives the layout that an order was written from, and no other.
func (w twinning) layoutOf(o order.Order, m facts.Machine) (*spec.Layout, error) {
	dir := w.layout
	if dir == "" {
		dir = o.LayoutDir
	}
	if _, err := os.Stat(dir); err != nil {
		return nil, fail(exitUsage, "name the layout that the order was written from: --layout LAYOUT", "the order is planned again on the twin, from its layout: %w", err)
	}
	layout, diagnostics := loadFor(dir, m)
	switch {
	case diagnostics.HasErrors():
		return nil, diagnostics
	case layout.Hash != o.LayoutHash:
		return nil, fail(exitStale, "plan again, or name the layout that the order was written from: --layout LAYOUT", "the layout in %s is not the one that the order was written from", dir)
	}
	return layout, nil
}

// programs are lendkeep's own that run in a twin, as files here.
type programs struct {
	agent           string // the machine's first program
	lendkeep, guard string
}

// findPrograms looks for them beside this one, then where they are installed.
func findPrograms() (programs, error) {
	self, err := os.Executable()
	if err != nil {
		return programs{}, fail(exitUsage, "", "find lendkeep's own program: %w", err)
	}
	find := func(name, installed string) (string, error) {
		for _, place := range []string{filepath.Join(filepath.Dir(self), name), installed} {
			if info, err := os.Stat(place); err == nil && info.Mode().IsRegular() {
				return place, nil
			}
		}
		return "", fail(exitUsage, "install lendkeep (make install, or its package), or build it: make build; "+inMemory, "a twin runs %s, which is neither beside lendkeep nor at %s", name, installed)
	}
	guard, err := find(filepath.Base(facts.GuardProgram), facts.GuardProgram)
	if err != nil {
		return programs{}, err
	}
	agent, err := find(emulated.AgentName, filepath.Join(programsAt, emulated.AgentName))
	if err != nil {
		return programs{}, err
	}
	return programs{agent: agent, lendkeep: self, guard: guard}, nil
}

// foretell fills in what is known before anything is made: where functions will be, and
// what of the survey the twin does not have, the same once.
func (t *trial) foretell() {
	t.report = anew.Empty()
	r := &t.report
	r.Order, r.Host, r.Shift, r.Functions = t.given.Code(), t.given.Order.Host, t.given.Order.Shift, len(t.survey.Survey.Functions)
	for _, p := range t.machine.Places {
		if f := t.survey.Function(p.From); p.From != p.To && f != nil {
			r.Moved = append(r.Moved, anew.Moved{Host: p.From.String(), Twin: p.To.String(), What: f.Name()})
		}
	}
	say := func(line string) {
		if !slices.Contains(r.Unlike, line) {
			r.Unlike = append(r.Unlike, line)
		}
	}
	const ofAny = true // what is so of the twin of any host comes last
	t.unlike(!ofAny, say)
	for _, g := range t.machine.Guests {
		for _, change := range g.Changes {
			say("guest " + g.Name + ": " + change)
		}
	}
	t.unlike(ofAny, say)
}

func (t *trial) unlike(ever bool, say func(string)) {
	for _, u := range t.machine.Unlike {
		if u.Ever() == ever {
			say(u.String())
		}
	}
}
