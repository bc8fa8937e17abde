package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every example is checked and planned against the fixture host, to the end:
// carried out on a stand-in, nothing is left to do.
func TestExamples(t *testing.T) {
	entries, err := os.ReadDir("../../examples")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(entries), 2)
	for _, e := range entries {
		t.Run(e.Name(), func(t *testing.T) {
			layout := filepath.Join("../../examples", e.Name())
			folder := t.TempDir()
			if survey := filepath.Join(folder, "survey.json"); inventedFor[e.Name()] != nil {
				require.NoError(t, os.WriteFile(survey, inventedFor[e.Name()](), 0o600))
			} else {
				must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", survey)
			}
			must(t, "check", layout, "--stand-in", folder)
			onStandIn(t, folder, layout)
			rest := []string{"plan", layout, "--stand-in", folder}
			if e.Name() == "ports" { // virtual functions are lent once they are there
				onStandIn(t, folder, layout, "--shift", "day")
				rest = append(rest, "--shift", "day")
			}
			assert.Contains(t, must(t, rest...), "there is nothing to do")
		})
	}
}

// onStandIn plans an order on a stand-in, rehearses it where that is quickly done, and
// applies it.
func onStandIn(t *testing.T, folder, layout string, options ...string) {
	name, survey := filepath.Join(t.TempDir(), "an.order"), filepath.Join(t.TempDir(), "survey.json")
	out := must(t, append([]string{"plan", layout, "--stand-in", folder, "-o", name}, options...)...)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found, out)
	if strings.Contains(out, "virtual function") {
		must(t, "survey", "--stand-in", folder, "-o", survey)
		must(t, "rehearse", name, "--survey", survey)
	}
	apply := []string{"apply", name, "--approve", strings.Fields(rest)[0], "--stand-in", folder}
	if strings.Contains(out, "by hand, in guest grading") {
		apply = append(apply, "--confirmed", "grading")
	}
	must(t, apply...)
}

func must(t *testing.T, arguments ...string) string {
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), arguments, strings.NewReader(""), &stdout, &stderr)
	require.Zero(t, code, "%v\n%s\n%s", arguments, stdout.String(), stderr.String())
	return stdout.String()
}
