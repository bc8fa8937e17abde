package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/parts"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// twinning is what rehearse --twin was asked for.
type twinning struct {
	layout string // empty: the one that the order names
	keep   bool
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
	judge, closeJudge := openJudge(c.Context())
	defer closeJudge()
	t := &trial{programs: programs, given: sealed, layout: layout, survey: facts.NewIndex(&survey), machine: twin.Of(survey), judge: judge,
		told: newProgress(c.ErrOrStderr()), out: &text{w: c.OutOrStdout()}}
	defer t.told.end()
	if err := t.foretell(); err != nil {
		return err
	}
	return t.booted(c, w.keep)
}

// booted runs the stages on the twin, which is gone in the end.
func (t *trial) booted(c *cobra.Command, keep bool) (err error) {
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
	failed := t.run(ctx, append([]stage{boot}, t.stages()...))
	if failed != nil && host != nil {
		t.out.line("")
		t.out.line("The console's last lines:")
		for line := range strings.Lines(host.LastLines()) {
			t.out.line("  %s", strings.TrimSpace(line))
		}
	}
	if failed == nil || len(t.differences) > 0 {
		if err := t.report(); err != nil {
			return err
		}
	}
	if keep && host != nil && host.On() {
		if err := prompt(c, host); err != nil {
			return err
		}
	}
	switch {
	case failed != nil && !errors.Is(failed, errDiffers):
		return fail(exitUsage, "look at the console's lines above; "+inMemory, "rehearse on a twin: %w", failed)
	case len(t.differences) > 0 || len(t.steps) > 0:
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

// foretell says what is needed, what will be made, and what of the host it lacks.
func (t *trial) foretell() error {
	o := t.out
	o.line("Rehearsal of order %s for host %s, on a twin of it: a machine made from the survey", t.given.Code(), t.given.Order.Host)
	o.line("")
	o.prose(`It needs QEMU, 4 GB of memory, 2 GB of disk below the cache and some minutes (KVM
is used where it is there); the first time also Debian's packages, which apt
fetches for its image. No root, no network while it runs, and no drive of this
machine is touched.
`)
	o.line("")
	t.places()
	t.unlike()
	return o.err
}

// places tells where the functions of the host are on the twin.
func (t *trial) places() {
	rows := [][]string{{"on the host", "on the twin", "what"}}
	for _, p := range t.machine.Places {
		if f := t.survey.Function(p.From); p.From != p.To && f != nil {
			rows = append(rows, []string{p.From.String(), p.To.String(), f.Name()})
		}
	}
	same := len(t.machine.Places) - len(rows) + 1
	t.out.line("%s of %d keep their addresses.", plain.Count(same, "function"), len(t.survey.Survey.Functions))
	if len(rows) > 1 {
		t.out.table(rows)
	}
	t.out.line("")
}

// unlike tells what of the survey the twin does not have, the same once.
func (t *trial) unlike() {
	t.out.line("Not like the host, and what that can hide:")
	var lines []string
	say := func(line string) {
		if !slices.Contains(lines, line) {
			lines = append(lines, line)
		}
	}
	for _, u := range t.machine.Unlike {
		say(u.Twin + ": " + u.Hides)
	}
	for _, g := range t.machine.Guests {
		for _, change := range g.Changes {
			say("guest " + g.Name + ": " + change)
		}
	}
	for _, line := range lines {
		t.out.line("  %s", line)
	}
	t.out.line("")
}
