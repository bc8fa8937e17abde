package main

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/measure"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/strict"
	"lendkeep/spec/plain"
)

// results writes results of drives that are so many megabytes a second fast, and
// changes each.
func results(t *testing.T, change func(r *speed.Result), labels ...string) []string {
	folder, names := t.TempDir(), []string{}
	for i, label := range labels {
		r := invented.Measured(label, func(_ speed.Kind, run int) float64 { return float64(100*(i+1)+run) * 1e6 })
		r.Host = &speed.Host{Guest: "grading", Others: []string{}, Lent: true}
		change(&r)
		content, err := r.Encode()
		require.NoError(t, err)
		names = append(names, filepath.Join(folder, label+".json"))
		require.NoError(t, os.WriteFile(names[i], content, 0o600))
	}
	return names
}

func TestComparisonFitsTheTerminal(t *testing.T) {
	names := results(t, func(*speed.Result) {}, "before", "lent", "a-label-that-is-much-longer-than-the-column-it-stands-in")
	for _, columns := range []int{60, 80, 120, 250} {
		for _, line := range seen(t, columns, append([]string{"measure", "--compare"}, names...)...) {
			if plain.Columns(line) > columns {
				assert.Len(t, strings.Fields(line), 1, "%d columns: %q", columns, line)
			}
		}
	}
}

func TestComparisonIsReadBack(t *testing.T) {
	names := results(t, func(r *speed.Result) {
		if r.Label == "beside" {
			r.Host.Others = []string{"catalogue"}
			r.Series = r.Series[:2]
			r.Method.Written = r.Method.FileBytes
			for _, run := range r.Series[1].Runs {
				r.Method.Written += run.Bytes
			}
		}
	}, "alone", "beside")
	var shape comparedShape
	out := asPrinted(t, exitDone, append([]string{"measure", "--json", "--compare"}, names...)...)
	require.NoError(t, strict.ReadWhole(out, facts.MaxBytes, &shape), "%s", out)
	assert.Len(t, shape.Series, len(speed.Kinds))
	assert.Len(t, shape.Series[2].Cells, 1, "of two results one has it")
	require.Len(t, shape.Losses, 1)
	assert.Equal(t, []string{"catalogue"}, shape.Losses[0].Beside)
	assert.NotContains(t, string(out), "null")
}

// What a guest says it has measured is taken for what was asked for, or not at all.
func TestForgedResultsAreRefused(t *testing.T) {
	m := &measuring{guest: "grading", label: "lent", write: true, runs: 5}
	good := func() speed.Result {
		r := invented.Measured("lent", func(speed.Kind, int) float64 { return 1e8 })
		return r
	}
	content, err := good().Encode()
	require.NoError(t, err)
	_, err = m.believed(content, speed.Folder)
	require.NoError(t, err)
	for name, change := range map[string]func(r *speed.Result){
		"another label": func(r *speed.Result) { r.Label = "before" },
		"a device":      func(r *speed.Result) { r.Target.Form = speed.Device },
		"a host":        func(r *speed.Result) { r.Host = &speed.Host{Guest: "grading", Others: []string{}} },
	} {
		r := good()
		change(&r)
		content, err := r.Encode()
		require.NoError(t, err, name)
		_, err = m.believed(content, speed.Folder)
		assert.ErrorContains(t, err, "the result of guest grading", name)
	}
	for name, change := range map[string]func(map[string]any){
		"another sum":    func(v map[string]any) { v["sum"] = strings.Repeat("0", 64) },
		"another format": func(v map[string]any) { v["format"] = 2 },
		"no number":      func(v map[string]any) { v["method"].(map[string]any)["runs"] = "NaN" },
	} {
		var v map[string]any
		require.NoError(t, json.Unmarshal(content, &v))
		change(v)
		forged, err := json.Marshal(v)
		require.NoError(t, err)
		_, err = m.believed(forged, speed.Folder)
		assert.ErrorContains(t, err, "the result of guest grading", name)
	}
}

// A result that cannot be kept is not lost.
func TestResultIsNotLost(t *testing.T) {
	m := &measuring{out: filepath.Join(t.TempDir(), "absent", "r.json")}
	c := measureCommand()
	var out strings.Builder
	c.SetOut(&out)
	c.SetContext(context.Background())
	err := m.keep(c, invented.Measured("lent", func(speed.Kind, int) float64 { return 1e8 }))
	assert.ErrorContains(t, err, "the result could not be kept")
	_, err = speed.Decode([]byte(out.String()))
	assert.NoError(t, err)
}

// The program that measures takes the calls that are made of it in guests.
func TestProgramTakesTheCall(t *testing.T) {
	folder := t.TempDir()
	program := filepath.Join(folder, "lendkeep-measure")
	build := exec.Command("go", "build", "-o", program, "lendkeep/cmd/lendkeep-measure")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	said, err := build.CombinedOutput()
	require.NoError(t, err, "%s", said)
	absent := filepath.Join(folder, "absent")
	for name, m := range map[string]*measuring{
		"folder": {folder: absent, write: true, size: "64MiB", runs: 5, lasts: measure.UsualLasting, label: "lent"},
		"device": {device: absent, runs: 1, lasts: measure.ShortestRun, label: "lent"},
	} {
		call := exec.Command(program, m.call("", filepath.Join(folder, name+".json"), "--progress", filepath.Join(folder, name))...)
		said, err := call.CombinedOutput()
		require.Error(t, err)
		assert.Equal(t, 1, call.ProcessState.ExitCode(), "it is called wrongly: %s", said)
		assert.Contains(t, string(said), absent)
		assert.FileExists(t, filepath.Join(folder, name))
	}
}
