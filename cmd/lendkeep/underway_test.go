package main

import (
	"context"
	"errors"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

// listening are guests that note what the guard hears while one is started.
type listening struct {
	step.Guests
	word  hook.Word
	heard []guard.Ordered
}

func (l *listening) Start(context.Context, string) error {
	l.heard = append(l.heard, l.word.Heard())
	return errors.New("it is gone")
}

// The guard hears of a start while it lasts, and then no more, however it ends.
func TestGuardIsToldOfStarts(t *testing.T) {
	reel := facts.Identity{Controller: "reel", Serial: "RL-4410-0073"}
	word := hook.Word{Folder: filepath.Join(t.TempDir(), "run"), Now: hook.Now}
	told := guard.Ordered{Guests: []string{"grading"}, Mounts: []string{}, Takes: []facts.Identity{}}
	require.NoError(t, word.Tell(told))
	inner := &listening{word: word}
	guests := announced{inner, word, told, map[string][]facts.Identity{"grading": {reel}}}
	require.ErrorContains(t, guests.Start(t.Context(), "grading"), "it is gone")
	require.Len(t, inner.heard, 1)
	assert.True(t, inner.heard[0].Starts("grading"))
	assert.Equal(t, []facts.Identity{reel}, inner.heard[0].Takes)
	after := word.Heard()
	assert.True(t, after.Owns("grading"))
	assert.False(t, after.Starts("grading"))

	require.Error(t, guests.Start(t.Context(), "other"))
	assert.False(t, inner.heard[1].Starts("other"), "the order does not start it")
}
