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
			if survey := filepath.Join(folder, "survey.json"); e.Name() == "screen" {
				require.NoError(t, os.WriteFile(survey, withScreen(), 0o600)) // no fixture has such a card
			} else {
				must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", survey)
			}
			must(t, "check", layout, "--stand-in", folder)
			name := filepath.Join(folder, "an.order")
			out := must(t, "plan", layout, "--stand-in", folder, "-o", name)
			_, rest, found := strings.Cut(out, "Approval code: ")
			require.True(t, found, out)
			apply := []string{"apply", name, "--approve", strings.Fields(rest)[0], "--stand-in", folder}
			if strings.Contains(out, "by hand, in guest grading") {
				apply = append(apply, "--confirmed", "grading")
			}
			must(t, apply...)
			assert.Contains(t, must(t, "plan", layout, "--stand-in", folder), "there is nothing to do")
		})
	}
}

func must(t *testing.T, arguments ...string) string {
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), arguments, strings.NewReader(""), &stdout, &stderr)
	require.Zero(t, code, "%v\n%s\n%s", arguments, stdout.String(), stderr.String())
	return stdout.String()
}
