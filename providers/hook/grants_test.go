package hook

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

func TestGrants(t *testing.T) {
	now := time.Now()
	g := Grants{filepath.Join(t.TempDir(), "run"), func() time.Time { return now }}
	list, err := g.List()
	require.NoError(t, err)
	assert.Empty(t, list, "no folder, no start under way")

	done, err := g.Turn(time.Sleep)
	require.NoError(t, err)
	reel := facts.Definition{Lent: []facts.Lent{{Address: facts.Address{Bus: 1}}}}
	require.NoError(t, g.Grant("grading", reel))
	list, err = g.List()
	require.NoError(t, err)
	assert.Equal(t, []guard.Grant{{Address: facts.Address{Bus: 1}, Guest: "grading"}}, list)
	g.End("other", reel)
	list, err = g.List()
	require.NoError(t, err)
	assert.Len(t, list, 1, "it is not the other's")
	g.End("grading", reel)
	list, err = g.List()
	require.NoError(t, err)
	assert.Empty(t, list)

	require.NoError(t, g.Grant("grading", reel))
	now = now.Add(GrantFor + time.Minute)
	list, err = g.List()
	require.NoError(t, err)
	assert.Empty(t, list, "one that nobody ended")

	waited := time.Duration(0)
	_, err = g.Turn(func(d time.Duration) { waited += d })
	require.ErrorContains(t, err, "is being taken back", "somebody is at work")
	assert.Equal(t, TurnWithin, waited)
	done()
	done, err = g.Turn(time.Sleep)
	require.NoError(t, err)
	done()
}

func TestGrantsThatCannotBeRead(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	g := Grants{file, time.Now}
	_, err := g.List()
	assert.Error(t, err, "what cannot be read is not taken for none")
	_, err = g.Turn(time.Sleep)
	assert.Error(t, err)
	assert.Error(t, g.Grant("x", facts.Definition{Lent: []facts.Lent{{}}}))
}
