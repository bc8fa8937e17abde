package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A name of many megabytes, which a survey of somebody else's may hold, is told
// and not repeated.
func TestLongTexts(t *testing.T) {
	long := strings.Repeat("n", 4<<20)
	folder, _ := standIn(t)
	name := filepath.Join(folder, "survey.json")
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	for _, c := range []struct{ old, new string }{
		{`"name": "larch"`, `"name": "` + long + `"`},
		{`"name": "grading"`, `"name": "` + long + `"`},
		{`"format": 1`, `"format": "` + long + `"`},
		{`"format": 1`, `"` + long + `": 1, "format": 1`},
		{`"address": "0000:`, `"address": "` + long},
	} {
		changed := strings.Replace(string(content), c.old, c.new, 1)
		require.NotEqual(t, string(content), changed, c.old)
		require.NoError(t, os.WriteFile(name, []byte(changed), 0o600))
		out, told := screens("check", "../../examples/larch", "--survey", name)
		assert.NotEmpty(t, out+told)
		assert.Less(t, len(out)+len(told), 1<<20, c.old)
		out, told = screens("survey", "--stand-in", folder)
		assert.Less(t, len(out)+len(told), 1<<20, c.old)
	}
	assert.Less(t, len(oneLine(errors.New(long))), 2*mostTold)
}
