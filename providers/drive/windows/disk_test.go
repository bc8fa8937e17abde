package windows

import (
	"bytes"
	"io"
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

func TestBounded(t *testing.T) {
	b := make([]byte, 3*blockBytes+100)
	for i := range b {
		b[i] = byte(i * 7 >> 3)
	}
	r := &bounded{r: bytes.NewReader(b), size: uint64(len(b))}
	for _, c := range [][2]int{{0, 10}, {blockBytes - 5, 10}, {100, 3 * blockBytes}, {3 * blockBytes, 100}} {
		got := make([]byte, c[1])
		n, err := r.ReadAt(got, int64(c[0]))
		require.NoError(t, err)
		assert.Equal(t, c[1], n)
		assert.Equal(t, b[c[0]:c[0]+c[1]], got)
	}
	n, err := r.ReadAt(make([]byte, 200), 3*blockBytes)
	assert.Equal(t, 100, n)
	assert.Equal(t, io.EOF, err)
	r.read = blocksMost
	_, err = r.ReadAt(make([]byte, 1), 0)
	require.NoError(t, err, "it is remembered")
	r.blocks = nil
	_, err = r.ReadAt(make([]byte, 1), 0)
	assert.Equal(t, errTooMuch, err)
}
