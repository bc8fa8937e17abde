package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

// Measurements of a folder are charted in the sequence of their files; what is no
// measurement among them is told by name.
func TestDrawMeasures(t *testing.T) {
	folder, _ := larch(t)
	measures, page := t.TempDir(), filepath.Join(t.TempDir(), "host.html")
	for i, label := range []string{"before" + evil, "lent"} {
		r := invented.Measured(speed.Text(label), func(k speed.Kind, run int) float64 { return float64(400*(i+1)+run*10) * 1e6 / float64(k.Depth) })
		content, err := r.Encode()
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(measures, string(rune('b'+i))+".json"), content, 0o600))
	}
	require.NoError(t, os.WriteFile(filepath.Join(measures, "notes.txt"), []byte("none"), 0o600))
	draw := []string{"draw", "../../examples/larch", "--survey", filepath.Join(folder, "survey.json"), "--measures", measures, "-o", page}
	must(t, draw...)
	content, err := os.ReadFile(page)
	require.NoError(t, err)
	holdsNothingThatActs(t, "the page", string(content))
	assert.Contains(t, string(content), "<figcaption>sequential read, 1 MiB, depth 8, the width is ")
	assert.Regexp(t, `lent beside before.*, \d`, string(content))

	require.NoError(t, os.WriteFile(filepath.Join(measures, "a.json"), []byte("{}"), 0o600))
	out, told := screens(draw...)
	assert.Empty(t, out)
	assert.Contains(t, told, filepath.Join(measures, "a.json"))
}
