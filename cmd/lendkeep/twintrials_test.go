package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/strict"
)

// Cut off, with its plug pulled, its card unplugged and others in front: a host that does
// what memory does shows no difference, in either direction.
func TestTwinTrials(t *testing.T) {
	for shift, expected := range map[string][]string{
		"day":   {"kill lendkeep alone when step 4 is begun, then resume: carried out, as in memory", "kill lendkeep and all that it started when step 3 is done, then roll back: rolled back, as in memory", "pull the plug when step 4 is begun, then resume: carried out, as in memory", "unplug what is lent: stuck without it", "functions moved; planned again"},
		"night": {"unplug what is lent: " + nothingLent},
	} {
		t.Run(shift, func(t *testing.T) {
			tried, out := trialOf(t, shift, nil)
			require.NoError(t, tried.goThrough(t.Context(), "stage", tried.stages(), 0, &tried.report.Stages), out)
			failed := tried.goThrough(t.Context(), "trial", tried.trials(), 0, &tried.report.Trials)
			assert.Empty(t, tried.differences)
			require.NoError(t, failed, out)
			for _, words := range expected {
				assert.Contains(t, out.String(), words)
			}
		})
	}
}

// So do the orders of the other examples, which make guests and move systems.
func TestTwinTrialsOfExamples(t *testing.T) {
	for example, options := range map[string][]string{"moving": {"--shift", "day"}, "library": nil} {
		t.Run(example, func(t *testing.T) {
			tried, out := trialOfExample(t, nil, example, options...)
			require.NoError(t, tried.goThrough(t.Context(), "stage", tried.stages(), 0, &tried.report.Stages), out)
			failed := tried.goThrough(t.Context(), "trial", tried.trials(), 0, &tried.report.Trials)
			assert.Empty(t, tried.differences)
			require.NoError(t, failed, out)
		})
	}
}

// What is found is printed as JSON, read back strictly, and drawn with its host.
func TestTwinIsDrawn(t *testing.T) {
	tried, _ := trialOf(t, "day", nil)
	tried.foretell()
	require.NoError(t, tried.goThrough(t.Context(), "stage", tried.stages()[:3], 0, &tried.report.Stages))
	tried.differs("the kernel says <no>")
	tried.complete(nil)
	tried.report.Moved = append(tried.report.Moved, anew.Moved{Host: "0000:01:00.0", Twin: "0000:07:00.0", What: "a card"})
	tried.report.Trials = append(tried.report.Trials, anew.Outcome{Name: "pull the plug", Said: "1 difference", Seconds: 61, Differences: 1})
	var printed bytes.Buffer
	require.NoError(t, printJSON(&printed, twinned{Report: tried.report}))
	var back twinned
	require.NoError(t, strict.ReadWhole(printed.Bytes(), facts.MaxBytes, &back))
	assert.Equal(t, tried.report, back.Report)

	folder := tried.host.(*inStandIn).folder
	name := filepath.Join(t.TempDir(), "rehearsal.json")
	require.NoError(t, os.WriteFile(name, printed.Bytes(), 0o600))
	draw := []string{"draw", "../../examples/larch", "--stand-in", folder, "--rehearsal", name, "-o", "-"}
	page := must(t, draw...)
	for _, words := range []string{`<section id="rehearsal"`, tried.given.Code(), "<b>plan the order there</b>: 4 steps, 4 in the order given", `<li class="alarmed"><b>pull the plug</b>: 1 difference, 1m1s</li>`,
		"the kernel says &lt;no&gt;", "1 difference between kernel and memory", "a card 0000:01:00.0: on the twin 0000:07:00.0", `href="#rehearsal"`} {
		assert.Contains(t, page, words)
	}
	assert.Equal(t, page, must(t, draw...), "the same bytes")
	assert.NotContains(t, must(t, append(draw[:4:4], "-o", "-")...), "rehearsal-title")

	night, _ := orderOf(t, folder, "night")
	for says, change := range map[string]struct {
		was, is string
		more    []string
		exit    int
	}{
		"is of host attic, not larch":                  {`"host": "larch"`, `"host": "attic"`, nil, exitStale},
		"is of order " + tried.given.Code() + ", not ": {"", "", []string{"--order", night}, exitStale},
		"version 2":                          {`"version": 1`, `"version": 2`, nil, exitUsage},
		"nothing of that name is known here": {`"stages"`, `"stage"`, nil, exitUsage},
	} {
		require.NoError(t, os.WriteFile(name, bytes.Replace(printed.Bytes(), []byte(change.was), []byte(change.is), 1), 0o600))
		var out, told bytes.Buffer
		assert.Equal(t, change.exit, run(t.Context(), append(draw[:len(draw):len(draw)], change.more...), strings.NewReader(""), &out, &told), says)
		assert.Contains(t, told.String(), says)
		assert.Empty(t, out.String())
	}
}

// A host that does otherwise is found in each trial.
func TestTwinTrialsFindPlantedDifferences(t *testing.T) {
	answer := func(of string, exit int, said string) func(string, emulated.Result) emulated.Result {
		return func(command string, r emulated.Result) emulated.Result {
			if command == of {
				r.Exit, r.Stderr = exit, said
			}
			return r
		}
	}
	cutting := func(c cut) func(*trial, context.Context) (string, error) {
		return func(t *trial, ctx context.Context) (string, error) { return t.cutOff(ctx, c) }
	}
	for name, planted := range map[string]struct {
		trial func(*trial, context.Context) (string, error)
		plant func(*inStandIn)
		want  string
	}{
		"it does not go on": {cutting(cut{step: 3, resume: true}), func(s *inStandIn) { s.says = answer("resume", exitRolledBack, "the kernel says no") },
			"lendkeep resume ended with exit code 3, in memory it was done: the kernel says no"},
		"it does not go back": {cutting(cut{step: 3, done: true}), func(s *inStandIn) { s.says = answer("rollback", exitPerson, "the kernel says no") },
			"lendkeep rollback ended with exit code 4, in memory it was done"},
		"a boot mounts elsewhere": {cutting(cut{step: 2, done: true, power: true}), func(s *inStandIn) {
			s.says = func(_ string, r emulated.Result) emulated.Result {
				if s.booted {
					r.Stdout = strings.ReplaceAll(r.Stdout, `"path": "/srv/shelf"`, `"path": "/srv/elsewhere"`)
				}
				return r
			}
		}, "rolled back, in memory and by the kernel: /srv/shelf is no longer mounted"},
		"a drive that is gone is not named": {(*trial).unplugged, func(s *inStandIn) { s.says = answer("rollback", exitPerson, "something is wrong") },
			"RL-4410-0073 is gone, and lendkeep does not say so: something is wrong"},
		"what is gone does not matter":       {(*trial).unplugged, func(s *inStandIn) { s.says = answer("rollback", exitDone, "") }, "lendkeep rollback ended with exit code 0, in memory with 4"},
		"nor what was not there at the boot": {(*trial).missing, func(s *inStandIn) { s.says = answer("rollback", exitDone, "") }, "lendkeep rollback ended with exit code 0, in memory with 4"},
		"another card is lent":               {(*trial).inFront, func(s *inStandIn) { s.lends = "0000:03:00.0" }, "guest grading was started by hand when its card had moved, and 0000:03:00.0 is lent"},
		"a drive that is elsewhere than its card": {(*trial).inFront, func(s *inStandIn) {
			s.says = func(_ string, r emulated.Result) emulated.Result {
				if strings.Contains(r.Stdout, "IN-FRONT-1") {
					r.Stdout = strings.ReplaceAll(r.Stdout, "RL-4410-0073", "RL-4410-9999")
				}
				return r
			}
		}, "controller reel is not found behind the card that was added"},
	} {
		t.Run(name, func(t *testing.T) {
			tried, out := trialOf(t, "day", nil)
			require.NoError(t, tried.goThrough(t.Context(), "stage", tried.stages()[:3], 0, &tried.report.Stages), out)
			tried.now = tried.before
			planted.plant(tried.host.(*inStandIn))
			_, err := planted.trial(tried, t.Context())
			if err != nil {
				require.ErrorIs(t, err, errDiffers)
			}
			assert.Contains(t, strings.Join(tried.differences, "\n"), planted.want)
		})
	}
}

// The steps of which most is learnt are chosen, one of each kind, unless all are asked for.
func TestChosenSteps(t *testing.T) {
	of := func(steps ...step.Step) *trial {
		o := order.Order{}
		for _, s := range steps {
			o.Steps = append(o.Steps, step.Written{Step: s})
		}
		return &trial{planned: order.Sealed{Order: o}}
	}
	tried := of(&step.InstallGuard{}, &step.DefineGuest{}, &step.DefineGuest{}, &step.Unmount{}, &step.StartGuest{}, &step.StartGuest{})
	assert.Equal(t, []int{2, 4, 5}, tried.chosen(3))
	assert.Equal(t, []int{5}, tried.chosen(1))
	tried.every = true
	assert.Equal(t, []int{1, 2, 3, 4, 5, 6}, tried.chosen(1))
	assert.Empty(t, of().chosen(3))
}

// A trial for which the twin has nothing is no trial that went well: it is listed.
func TestTrialThatIsNotTried(t *testing.T) {
	tried, out := trialOf(t, "day", nil)
	none := stage{"unplug what is lent", 0, func(context.Context) (string, error) { return "", notTried("QEMU cannot unplug it") }}
	require.NoError(t, tried.goThrough(t.Context(), "trial", []stage{none}, 0, &tried.report.Trials))
	tried.complete(nil)
	assert.Contains(t, out.String(), "unplug what is lent: not tried: QEMU cannot unplug it")
	assert.Equal(t, []string{"unplug what is lent: QEMU cannot unplug it"}, tried.report.Untried)
	assert.Contains(t, tried.report.Sentence(), "1 part of it could not be tried")
}

// A drive whose filling was undone is emptied before the next trial: what lies between
// its ends is what an order would not write over.
func TestTwinEmptiesWhatWasUndone(t *testing.T) {
	tried, _ := trialOf(t, "day", nil)
	host := tried.host.(*inStandIn)
	survey := host.survey()
	survey.Contents = []facts.Content{
		{Of: "nvme1n1", EndsZero: true}, {Of: "nvme2n1", EndsZero: true, Blank: true}, {Of: "/srv/a.img", Image: true, EndsZero: true},
		{Of: "nvme3n1", EndsZero: true, Unfinished: "a copy"}, {Of: "nvme0n1", Table: &facts.Table{Kind: "gpt"}}}
	tried.now = facts.NewIndex(&survey)
	require.NoError(t, tried.blank(t.Context()))
	assert.Equal(t, []string{"/dev/nvme1n1"}, host.emptied)
	assert.NotEqual(t, survey.Contents, tried.now.Survey.Contents, "it was looked at again")
	require.NoError(t, tried.blank(t.Context()))
	assert.Len(t, host.emptied, 1)
}

// Each rehearsal has a judge of its own: a new guest gets another UUID each time.
func TestTwinJudgesAnew(t *testing.T) {
	tried, _ := trialOf(t, "day", nil)
	for _, uuid := range []string{"00000000-0000-4000-8000-000000000001", "00000000-0000-4000-8000-000000000002"} {
		judge := tried.asked(t.Context())
		if judge == nil {
			t.Skip("there is no libvirt here")
		}
		_, err := judge.Define(t.Context(), "<domain type='kvm'><name>ingest</name><uuid>"+uuid+"</uuid><memory>131072</memory><vcpu>1</vcpu><os><type arch='x86_64' machine='q35'>hvm</type></os></domain>")
		require.NoError(t, err)
	}
}
