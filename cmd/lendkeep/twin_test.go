package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// inStandIn is a stand-in host in place of a machine: lendkeep is run on it, guests
// are started and ended there.
type inStandIn struct {
	t      *testing.T
	folder string
	judge  memory.Judge // nil: there is no libvirt here
	// says changes what a command of lendkeep's answers; nil: nothing is planted.
	says func(command string, r emulated.Result) emulated.Result
}

func (s *inStandIn) file(name string) string { return filepath.Join(s.folder, filepath.Base(name)) }

func (s *inStandIn) WriteFile(_ context.Context, name string, content []byte, _ os.FileMode) error {
	return os.WriteFile(s.file(name), content, 0o600)
}

func (s *inStandIn) Run(ctx context.Context, argv ...string) (emulated.Result, error) {
	r := emulated.Result{Argv: argv}
	switch argv[0] {
	case apart:
		arguments := slices.Clone(argv[1:])
		for i, a := range arguments {
			if strings.HasPrefix(a, "/run/") {
				arguments[i] = s.file(a)
			}
		}
		var out, told bytes.Buffer
		r.Exit = run(ctx, append(arguments, "--stand-in", s.folder), strings.NewReader(""), &out, &told)
		r.Stdout, r.Stderr = out.String(), told.String()
		if s.says != nil {
			r = s.says(argv[1], r)
		}
	case "sh":
		if argv[1] != "-c" {
			s.furnish()
		}
	case "virsh":
		s.guest(ctx, argv[2], argv[4])
	}
	return r, nil
}

// furnish has the guests that are off be the twin's.
func (s *inStandIn) furnish() {
	name := filepath.Join(s.folder, memory.FirstFile)
	survey, err := readSurvey(name)
	require.NoError(s.t, err)
	m := twin.Of(survey)
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		at := slices.IndexFunc(m.Guests, func(made twin.Guest) bool { return made.Name == g.Name })
		if g.Running || at < 0 {
			continue
		}
		xml := m.Guests[at].XML
		if s.judge != nil {
			xml, err = s.judge.Define(s.t.Context(), xml)
			require.NoError(s.t, err)
		}
		read, err := definition.Read(xml)
		require.NoError(s.t, err)
		g.Kept = &read
	}
	var content bytes.Buffer
	require.NoError(s.t, survey.Encode(&content))
	require.NoError(s.t, os.WriteFile(name, content.Bytes(), 0o600))
	// What was read of it until now is gone.
	require.NoError(s.t, os.RemoveAll(filepath.Join(s.folder, memory.File)))
}

// guest has a guest of the stand-in follow a word of virsh's.
func (s *inStandIn) guest(ctx context.Context, word, name string) {
	h, err := memory.Load(s.folder, nil)
	require.NoError(s.t, err)
	if word == "start" {
		require.NoError(s.t, h.StartByHand(ctx, name))
	} else {
		require.NoError(s.t, h.EndByHand(name))
	}
}

func (s *inStandIn) Shell(ctx context.Context, script string) (emulated.Result, error) {
	if _, rest, found := strings.Cut(script, "virsh -q shutdown -- "); found {
		s.guest(ctx, "shutdown", strings.Fields(rest)[0])
	}
	return emulated.Result{Stdout: "shut off\n"}, nil
}

// trialOnStandIn tries larch's order for a shift on a stand-in, and gives what was
// printed.
func trialOnStandIn(t *testing.T, shift string, says func(string, emulated.Result) emulated.Result) (*trial, string, error) {
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
	tried := &trial{host: &inStandIn{t, folder, judge, says}, programs: programs{lendkeep: file, guard: file}, judge: judge, given: sealed, layout: layout, survey: facts.NewIndex(&survey), machine: twin.Of(survey), out: &text{w: &out}}
	failed := tried.run(t.Context(), tried.stages())
	require.NoError(t, tried.report())
	return tried, out.String(), failed
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
