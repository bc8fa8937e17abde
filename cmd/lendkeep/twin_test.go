package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
)

// trialOnStandIn tries larch's order for a shift on a stand-in, and gives what was
// printed.
func trialOnStandIn(t *testing.T, shift string, says func(string, emulated.Result) emulated.Result) (*trial, string, error) {
	t.Helper()
	tried, out := trialOf(t, shift, says)
	failed := tried.goThrough(t.Context(), "stage", tried.stages(), 0, &tried.report.Stages)
	tried.complete(failed)
	require.NoError(t, printEnd(tried.out, tried.report))
	return tried, out.String(), failed
}

// trialOf gives a trial of larch's order for a shift on a stand-in.
func trialOf(t *testing.T, shift string, says func(string, emulated.Result) emulated.Result) (*trial, *bytes.Buffer) {
	t.Helper()
	folder, _ := larch(t)
	file := filepath.Join(t.TempDir(), "an.order")
	must(t, "plan", "../../examples/larch", "--shift", shift, "--stand-in", folder, "-o", file)
	sealed, err := openOrder(file)
	require.NoError(t, err)
	survey, err := readSurvey(filepath.Join(folder, "survey.json"))
	require.NoError(t, err)
	layout, err := twinning{}.layoutOf(sealed.Order, survey.Machine)
	require.NoError(t, err)
	judge, closeJudge := openJudge(t.Context())
	t.Cleanup(closeJudge)
	var out bytes.Buffer
	machine := twin.Of(survey)
	host := &inStandIn{t: t, folder: folder, judge: judge, says: says, machine: machine}
	return &trial{host: host, programs: programs{lendkeep: file, guard: file}, judge: judge, given: sealed, layout: layout, survey: facts.NewIndex(&survey), machine: machine, out: &text{w: &out}}, &out
}

// Where the host does what memory does, nothing is found, in both directions.
func TestTwinAgrees(t *testing.T) {
	for shift, starts := range map[string][]string{"day": {"grading"}, "night": {"catalogue"}} {
		tried, out, err := trialOnStandIn(t, shift, nil)
		require.NoError(t, err, out)
		assert.Empty(t, tried.differences, shift)
		assert.Empty(t, tried.steps, shift)
		assert.Equal(t, starts, tried.guests)
		assert.Contains(t, out, "as it was in memory")
		for i, s := range tried.stages() {
			assert.Contains(t, out, fmt.Sprintf("stage %d of 8, %s: ", i+1, s.name))
		}
	}
}

// The power button is pressed where a stand-in starts, and nowhere else: not where a
// guest boots from a card, from a drive without one, or from one that was erased.
func TestTwinAnswersWhereAStandInStarts(t *testing.T) {
	tried, out, err := trialOnStandIn(t, "day", nil)
	require.NoError(t, err, out)
	assert.True(t, tried.answers("grading"), "from the ESP of the drive that it boots from")
	boots := tried.there.Guest("grading").Boots
	reel := tried.there.Controller(boots.Name)

	boots.Name = "of none"
	tried.there.Controllers = append(tried.there.Controllers, spec.Controller{Name: "of none"})
	assert.False(t, tried.answers("grading"), "it boots from what has no drive")
	boots.Name = reel.Name
	for _, w := range tried.planned.Order.Steps {
		if s, is := w.Step.(*step.StartGuest); is {
			tried.planned.Order.Steps = append(tried.planned.Order.Steps, step.Written{Step: &step.ClearDrive{Target: step.Target{Drive: facts.Drive{Serial: s.Borrows[0].Serial}}}})
		}
	}
	assert.False(t, tried.answers("grading"), "the order has erased the drive")
	reel.Drive.CopyOf = "/srv/none.qcow2"
	assert.False(t, tried.answers("grading"), "and copied what is no stand-in")
	for _, g := range tried.machine.Guests {
		for _, image := range g.Images {
			reel.Drive.CopyOf = image.Path
		}
	}
	assert.True(t, tried.answers("grading"), "or one")
}

// A host that does otherwise than memory is found, whatever it does otherwise.
func TestTwinFindsPlantedDifferences(t *testing.T) {
	applied := false
	surveyed := func(was, is string) func(string, emulated.Result) emulated.Result {
		return func(command string, r emulated.Result) emulated.Result {
			applied = applied || command == "apply"
			if command == "survey" && applied {
				require.Contains(t, r.Stdout, was)
				r.Stdout = strings.ReplaceAll(r.Stdout, was, is)
			}
			return r
		}
	}
	ends := func(of string, exit int) func(string, emulated.Result) emulated.Result {
		return func(command string, r emulated.Result) emulated.Result {
			if command == of {
				r.Exit, r.Stderr = exit, "lendkeep: the kernel says no"
			}
			return r
		}
	}
	for name, planted := range map[string]struct {
		says func(string, emulated.Result) emulated.Result
		want string
	}{
		"the kernel refuses the order": {ends("apply", exitRolledBack), `lendkeep apply ended with exit code 3, in memory it was done: lendkeep: the kernel says no`},
		"and the way back":             {ends("rollback", exitPerson), `lendkeep rollback ended with exit code 4`},
		"a driver that stays":          {surveyed(`"driver": "vfio-pci"`, `"driver": "nvme"`), `after the order.*driver`},
		"a guest that does not run":    {surveyed(`"condition": "running"`, `"condition": "paused"`), `after the order.*guest grading was running, is paused`},
	} {
		t.Run(name, func(t *testing.T) {
			applied = false
			tried, out, _ := trialOnStandIn(t, "day", planted.says)
			require.NotEmpty(t, tried.differences, out)
			assert.Regexp(t, planted.want, strings.Join(tried.differences, "\n"))
			assert.Contains(t, out, "difference")
			assert.NotContains(t, out, "as it was in memory, and undone")
		})
	}
}
