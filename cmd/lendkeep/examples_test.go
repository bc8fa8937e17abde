package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every example is checked, planned, rehearsed and carried out to the end on a stand-in
// for a host that it is for: nothing is left to do. One is refused, and then not.
func TestExamples(t *testing.T) {
	entries, err := os.ReadDir("../../examples")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(entries), 2)
	for _, e := range entries {
		t.Run(e.Name(), func(t *testing.T) {
			layout := filepath.Join("../../examples", e.Name())
			folder := t.TempDir()
			var aim []string
			if survey := filepath.Join(folder, "survey.json"); inventedFor[e.Name()] != nil {
				require.NoError(t, os.WriteFile(survey, inventedFor[e.Name()](), 0o600))
				aim = []string{"--shift", "day"}
			} else {
				must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", survey)
			}
			if e.Name() == "mirror" {
				layout = acceptedMirror(t, layout, folder)
			}
			must(t, "check", layout, "--stand-in", folder)
			onStandIn(t, folder, layout, aim...)
			if e.Name() == "ports" { // virtual functions are lent once they are there
				onStandIn(t, folder, layout, aim...)
			}
			assert.Contains(t, must(t, append([]string{"plan", layout, "--stand-in", folder}, aim...)...), "there is nothing to do")
		})
	}
}

// acceptedMirror sees the layout with the mirror refused for what it says itself, and
// gives it as it says that it is accepted.
func acceptedMirror(t *testing.T, layout, folder string) string {
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), []string{"check", layout, "--stand-in", folder}, strings.NewReader(""), &stdout, &stderr)
	require.Equal(t, exitFindings, code, stderr.String())
	text, err := os.ReadFile(filepath.Join(layout, "larch.hcl"))
	require.NoError(t, err)
	ways := regexp.MustCompile(`(?m)^#   (0000:.*)$`).FindAllSubmatch(text, -1)
	require.Len(t, ways, strings.Count(stdout.String(), "\nstop: "))
	for _, way := range ways {
		assert.Contains(t, stdout.String(), ": "+string(way[1])+"\n")
	}
	const accepted = "borrows = [controller.bays]"
	require.Contains(t, string(text), "# What is accepted: "+accepted)
	other := filepath.Join(t.TempDir(), "larch.hcl")
	require.NoError(t, os.WriteFile(other, bytes.Replace(text, []byte("  borrows = [controller.board]"), []byte("  "+accepted), 1), 0o600))
	return filepath.Dir(other)
}

// onStandIn plans an order on a stand-in, rehearses it where that is quickly done, and
// applies it.
func onStandIn(t *testing.T, folder, layout string, options ...string) {
	name, survey := filepath.Join(t.TempDir(), "an.order"), filepath.Join(t.TempDir(), "survey.json")
	out := must(t, append([]string{"plan", layout, "--stand-in", folder, "-o", name}, options...)...)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found, out)
	apply := []string{"apply", name, "--approve", strings.Fields(rest)[0], "--stand-in", folder}
	if strings.Contains(out, "by hand, in guest grading") {
		apply = append(apply, "--confirmed", "grading")
	} else {
		must(t, "survey", "--stand-in", folder, "-o", survey)
		must(t, "rehearse", name, "--survey", survey)
	}
	must(t, apply...)
}

func must(t *testing.T, arguments ...string) string {
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), arguments, strings.NewReader(""), &stdout, &stderr)
	require.Zero(t, code, "%v\n%s\n%s", arguments, stdout.String(), stderr.String())
	return stdout.String()
}
