package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestGuardCondition(t *testing.T) {
	ours := "#!/bin/sh\n" + facts.GuardMark + "\n"
	for want, g := range map[string]facts.InstalledGuard{
		"installed": {Program: true, GuardFiles: facts.GuardFiles{Hook: ours, Rules: "{}\n"}},
		"installed, but libvirt does not run it: its mode is 0644": {Program: true, GuardFiles: facts.GuardFiles{Hook: ours, Rules: "{}\n", HookMode: "0644"}},
		"installed, but its program is missing":                    {GuardFiles: facts.GuardFiles{Hook: ours}},
		"not installed":                                            {Program: true, GuardFiles: facts.GuardFiles{Rules: "{}\n"}},
		"another hook sits in its place":                           {Program: true, GuardFiles: facts.GuardFiles{Hook: "#!/bin/sh\n"}},
		"not known":                                                {Program: true, GuardFiles: facts.GuardFiles{Hook: ours}, Gaps: []facts.Gap{{Fact: "guard.rules"}}},
	} {
		assert.Equal(t, want, g.Condition())
	}
}

func TestMode(t *testing.T) {
	assert.Empty(t, facts.ModeOf(0o755, facts.HookMode))
	assert.Equal(t, facts.Mode("0000"), facts.ModeOf(0, facts.HookMode))
	for mode, bits := range map[facts.Mode]uint32{"": 0o600, "0644": 0o644, "0000": 0} {
		now, err := mode.Bits(facts.RulesMode)
		assert.NoError(t, err)
		assert.Equal(t, bits, now)
	}
	for _, bad := range []facts.Mode{"4755", "rwx", "-1", "0888"} {
		_, err := bad.Bits(facts.RulesMode)
		assert.Error(t, err)
		assert.False(t, facts.InstalledGuard{GuardFiles: facts.GuardFiles{HookMode: bad}}.Runs(), "unknown is not run")
	}
}
