package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestGuardCondition(t *testing.T) {
	ours := "#!/bin/sh\n" + facts.GuardMark + "\n"
	for want, g := range map[string]facts.Guard{
		"installed":                             {Program: true, GuardFiles: facts.GuardFiles{Hook: ours, Rules: "{}\n"}},
		"installed, but its program is missing": {GuardFiles: facts.GuardFiles{Hook: ours}},
		"not installed":                         {Program: true, GuardFiles: facts.GuardFiles{Rules: "{}\n"}},
		"another hook sits in its place":        {Program: true, GuardFiles: facts.GuardFiles{Hook: "#!/bin/sh\n"}},
		"not known":                             {Program: true, GuardFiles: facts.GuardFiles{Hook: ours}, Gaps: []facts.Gap{{Fact: "guard.rules"}}},
	} {
		assert.Equal(t, want, g.Condition())
	}
}
