package step_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

func TestInstallGuardStands(t *testing.T) {
	s := &step.InstallGuard{Before: facts.GuardFiles{Hook: "hook", Rules: "old", Udev: "u"}, After: &guard.Rules{Format: guard.Format}}
	hook, rules := s.Files().Hook, s.Files().Rules
	for name, c := range map[string]struct {
		now  facts.InstalledGuard
		want step.Standing
	}{
		"as it was":         {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: "hook", Rules: "old", Udev: "u"}}, step.Before},
		"as planned":        {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: hook, Rules: rules}}, step.After},
		"changed by others": {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: hook, Rules: "x"}}, step.Neither},
		"udev's are others": {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: hook, Rules: rules, Udev: "x"}}, step.Neither},
		"the hook is gone":  {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Rules: rules}}, step.Neither},
		"it cannot be read": {facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: hook, Rules: rules}, Gaps: []facts.Gap{{Path: facts.GuardRules}}}, step.Neither},
		"nothing is there":  {facts.InstalledGuard{}, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&facts.Survey{Guard: c.now}))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
}

func TestInstallGuardNeedsItsProgram(t *testing.T) {
	s := &step.InstallGuard{After: &guard.Rules{}}
	assert.ErrorContains(t, s.Ready(facts.NewIndex(&facts.Survey{})), facts.GuardProgram)
	assert.NoError(t, s.Ready(facts.NewIndex(&facts.Survey{Guard: facts.InstalledGuard{Program: true}})))
	remove := &step.InstallGuard{Before: facts.GuardFiles{Hook: "hook", Rules: "rules"}}
	assert.NoError(t, remove.Ready(facts.NewIndex(&facts.Survey{})))
}

func TestInstallGuardThereAndBack(t *testing.T) {
	host := memory.New(invented.NewBuilder().Survey, nil)
	s := &step.InstallGuard{Before: facts.GuardFiles{Rules: "left over"}, After: &guard.Rules{}}
	require.NoError(t, host.Install(t.Context(), s.Before))
	require.NoError(t, s.Do(t.Context(), host.Ports()))
	after, err := host.Survey(t.Context())
	require.NoError(t, err)
	standing, _ := s.Stands(facts.NewIndex(&after))
	assert.Equal(t, step.After, standing)
	require.NoError(t, s.Undo(t.Context(), host.Ports()))
	before, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Equal(t, facts.InstalledGuard{Program: true, GuardFiles: facts.GuardFiles{Rules: "left over"}}, before.Guard)
}

// lendkeep is killed after it has asked a guest to shut down; the guest ends, and
// since no order is being carried out any more the guard mounts what belongs on
// its drive. Rolling back unmounts that and starts the guest again.
func TestStopIsUndoneUnderWhatTheGuardMounted(t *testing.T) {
	b := invented.NewBuilder()
	reel := b.NVMe("RL-4410-0073", "start", "shelf")
	r := b.Identity("reel", reel)
	b.Guest("grading", "", r)
	host := memory.New(b.Survey, nil)
	require.NoError(t, host.Start(t.Context(), "grading"))
	s := &step.StopGuest{Guest: "grading", Limit: time.Minute, LetsGo: []facts.Identity{r},
		Mounts: []step.Filesystem{{Controller: r, Partition: "shelf", FSType: "xfs", Path: "/srv/shelf"}}}
	require.NoError(t, host.EndByHand("grading"))
	require.NoError(t, host.Mount(t.Context(), "/dev/nvme0n1p2", "xfs", "/srv/shelf", []string{"noatime"})) // the guard's
	ix := func() *facts.Index {
		survey, err := host.Survey(t.Context())
		require.NoError(t, err)
		return facts.NewIndex(&survey)
	}
	require.NoError(t, s.MayUndo(ix()))
	require.NoError(t, s.Undo(t.Context(), host.Ports()))
	assert.Nil(t, ix().MountAt("/srv/shelf"))
	assert.True(t, ix().Guest("grading").Running)

	require.NoError(t, host.EndByHand("grading"))
	require.NoError(t, host.Mount(t.Context(), "/dev/nvme0n1p2", "xfs", "/srv/other", nil))
	assert.ErrorContains(t, s.MayUndo(ix()), "mount /srv/other")
}
