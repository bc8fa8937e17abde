package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

func TestInstallWatchStands(t *testing.T) {
	old := facts.WatchFiles{Unit: "old", Enabled: true}
	s := &step.InstallWatch{Before: old, After: true}
	made := s.Files()
	for name, c := range map[string]struct {
		now  facts.InstalledWatch
		want step.Standing
	}{
		"as it was":         {facts.InstalledWatch{WatchFiles: old}, step.Before},
		"as planned":        {facts.InstalledWatch{WatchFiles: made}, step.After},
		"not enabled":       {facts.InstalledWatch{WatchFiles: facts.WatchFiles{Unit: made.Unit}}, step.Neither},
		"changed by others": {facts.InstalledWatch{WatchFiles: facts.WatchFiles{Unit: "x", Enabled: true}}, step.Neither},
		"it cannot be read": {facts.InstalledWatch{WatchFiles: made, Gaps: []facts.Gap{{Path: facts.WatchUnit}}}, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&facts.Survey{Watch: c.now}))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
}

func TestInstallWatchNeedsSystemdAndItsProgram(t *testing.T) {
	s := &step.InstallWatch{After: true}
	ready := func(w facts.InstalledWatch) error { return s.Ready(facts.NewIndex(&facts.Survey{Watch: w})) }
	assert.ErrorContains(t, ready(facts.InstalledWatch{Program: true}), "systemd")
	assert.ErrorContains(t, ready(facts.InstalledWatch{Systemd: true}), facts.WatchProgram)
	assert.NoError(t, ready(facts.InstalledWatch{Systemd: true, Program: true}))
	remove := &step.InstallWatch{Before: s.Files()}
	assert.NoError(t, remove.Ready(facts.NewIndex(&facts.Survey{Watch: facts.InstalledWatch{Systemd: true}})))
}

func TestInstallWatchThereAndBack(t *testing.T) {
	host := memory.New(invented.NewBuilder().Survey, nil)
	s := &step.InstallWatch{After: true}
	require.NoError(t, s.Do(t.Context(), host.Ports()))
	after, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Equal(t, s.Files(), after.Watch.WatchFiles)
	require.NoError(t, s.Undo(t.Context(), host.Ports()))
	before, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Equal(t, facts.WatchFiles{}, before.Watch.WatchFiles)
}
