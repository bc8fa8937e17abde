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

func TestInstallGuardStands(t *testing.T) {
	s := &step.InstallGuard{HookBefore: "hook", RulesBefore: "old", Hook: "hook", Rules: "new"}
	for name, c := range map[string]struct {
		now  facts.Guard
		want step.Standing
	}{
		"as it was":         {facts.Guard{Hook: "hook", Rules: "old"}, step.Before},
		"as planned":        {facts.Guard{Hook: "hook", Rules: "new"}, step.After},
		"changed by others": {facts.Guard{Hook: "hook", Rules: "x"}, step.Neither},
		"the hook is gone":  {facts.Guard{Rules: "new"}, step.Neither},
		"it cannot be read": {facts.Guard{Hook: "hook", Rules: "new", Gaps: []facts.Gap{{Path: facts.GuardRules}}}, step.Neither},
		"nothing is there":  {facts.Guard{}, step.Neither},
	} {
		standing, seen := s.Stands(facts.NewIndex(&facts.Survey{Guard: c.now}))
		assert.Equal(t, c.want, standing, name)
		assert.NotEmpty(t, seen)
	}
}

func TestInstallGuardNeedsItsProgram(t *testing.T) {
	s := &step.InstallGuard{Hook: "hook", Rules: "rules"}
	assert.ErrorContains(t, s.Ready(facts.NewIndex(&facts.Survey{})), facts.GuardProgram)
	assert.NoError(t, s.Ready(facts.NewIndex(&facts.Survey{Guard: facts.Guard{Program: true}})))
	remove := &step.InstallGuard{HookBefore: "hook", RulesBefore: "rules"}
	assert.NoError(t, remove.Ready(facts.NewIndex(&facts.Survey{})))
}

func TestInstallGuardThereAndBack(t *testing.T) {
	host := memory.New(invented.NewBuilder().Survey, nil)
	s := &step.InstallGuard{HookBefore: "", RulesBefore: "left over", Hook: "hook", Rules: "rules"}
	require.NoError(t, host.Install(t.Context(), s.HookBefore, s.RulesBefore))
	require.NoError(t, s.Do(t.Context(), host.Ports()))
	after, err := host.Survey(t.Context())
	require.NoError(t, err)
	standing, _ := s.Stands(facts.NewIndex(&after))
	assert.Equal(t, step.After, standing)
	require.NoError(t, s.Undo(t.Context(), host.Ports()))
	before, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Equal(t, facts.Guard{Program: true, Rules: "left over"}, before.Guard)
}
