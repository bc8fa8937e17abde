package windows

import (
	"bytes"
	"context"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/windows"
)

func TestSeveralSystems(t *testing.T) {
	volume, err := os.ReadFile(windows.Volume(t, 6, map[string][]byte{"Windows/System32/config/SYSTEM": windows.Hive(windows.System())}))
	require.NoError(t, err)
	b := make([]byte, 20<<20)
	copy(b[1<<20:], volume)
	copy(b[8<<20:], volume)
	entries := []facts.Entry{{Number: 1, First: 2048, Last: 2048 + 12287, Type: "x"}, {Number: 2, First: 16384, Last: 16384 + 12287, Type: "x"}}
	seen := func(entries ...facts.Entry) *facts.Installed {
		c := facts.Content{SizeBytes: 20 << 20, SectorBytes: 512, Table: &facts.Table{Kind: "gpt", Entries: entries}}
		for _, e := range entries {
			c.Volumes = append(c.Volumes, facts.Volume{Number: e.Number, Signature: &facts.Signature{Kind: "ntfs"}, Condition: facts.Clean})
		}
		return Look(t.Context(), bytes.NewReader(b), &c)
	}
	assert.Nil(t, seen())
	one := seen(entries[1])
	assert.Equal(t, "windows", one.Kind)
	assert.Equal(t, 2, one.Partition)
	two := seen(entries...)
	assert.Empty(t, two.Kind)
	assert.Empty(t, two.Answers)
	assert.Equal(t, "more than one system may be on it: a Windows on partition 1; a Windows on partition 2", two.Gap)
}

// cutting ends a look after so many reads.
type cutting struct {
	*bytes.Reader
	left int
	end  context.CancelFunc
}

func (c *cutting) ReadAt(p []byte, at int64) (int, error) {
	if c.left--; c.left == 0 {
		c.end()
	}
	return c.Reader.ReadAt(p, at)
}

// A look that is given up says so, wherever it was, and nothing else.
func TestGivenUp(t *testing.T) {
	b, err := os.ReadFile(windows.Volume(t, 6, map[string][]byte{"Windows/System32/config/SYSTEM": windows.Hive(windows.System())}))
	require.NoError(t, err)
	c := facts.Content{SizeBytes: 6 << 20, SectorBytes: 512, Table: &facts.Table{Kind: "gpt", Entries: []facts.Entry{{Number: 1, First: 0, Last: 12287}}},
		Volumes: []facts.Volume{{Number: 1, Signature: &facts.Signature{Kind: "ntfs"}, Condition: facts.Clean}}}
	for n := 1; ; n++ {
		ctx, end := context.WithCancel(t.Context())
		r := &cutting{bytes.NewReader(b), n, end}
		i := Look(ctx, r, &c)
		end()
		if r.left > 0 {
			assert.Greater(t, n, 3)
			break
		}
		assert.Equal(t, facts.Installed{Gap: "looking for a Windows was given up: context canceled"}, *i)
	}
}
