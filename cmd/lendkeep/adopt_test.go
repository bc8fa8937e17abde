package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every captured host is adopted by a layout that nothing stops, and that changes
// nothing but lendkeep's own notes. With each offer that stands there as a comment
// taken up, nothing stops it either.
func TestAdoptsCapturedHosts(t *testing.T) {
	hosts, err := filepath.Glob("../../testdata/hosts/*.txtar")
	require.NoError(t, err)
	adopted, offers, steps := 0, 0, 0
	for _, host := range hosts {
		if strings.HasSuffix(host, ".overlay.txtar") {
			continue
		}
		adopted++
		folder := t.TempDir()
		survey, layout := filepath.Join(folder, "survey.json"), filepath.Join(folder, "layout")
		must(t, "survey", "--root", host, "-o", survey)
		must(t, "adopt", "-o", layout, "--survey", survey)
		must(t, "check", layout, "--survey", survey)
		var sealed struct {
			Order struct {
				Steps []struct {
					Kind string `json:"kind"`
				} `json:"steps"`
			} `json:"order"`
		}
		require.NoError(t, json.Unmarshal([]byte(must(t, "plan", layout, "--survey", survey, "--json")), &sealed))
		assert.NotContains(t, must(t, "plan", layout, "--survey", survey), "start guest", host)
		for _, s := range sealed.Order.Steps {
			steps++
			assert.Contains(t, []string{"install guard", "install watch", "define guest"}, s.Kind, host)
		}
		name := filepath.Join(layout, "controllers.hcl")
		content, err := os.ReadFile(name)
		require.NoError(t, err)
		pieces := strings.Split(string(content), "/*\n")
		for n := 1; n < len(pieces); n++ {
			opened := strings.Join(pieces[:n], "/*\n") + strings.Replace(strings.Join(pieces[n:], "/*\n"), "*/\n", "", 1)
			require.NoError(t, os.WriteFile(name, []byte(opened), 0o600))
			must(t, "check", layout, "--survey", survey)
			offers++
		}
	}
	assert.GreaterOrEqual(t, adopted, 4)
	assert.GreaterOrEqual(t, offers, 4)
	assert.Positive(t, steps)
}
