package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestGuardCondition(t *testing.T) {
	ours := "#!/bin/sh\n" + facts.GuardMark + "\n"
	for want, g := range map[string]facts.Guard{
		"installed":                             {Program: true, Hook: ours, Rules: "{}\n"},
		"installed, but its program is missing": {Hook: ours},
		"not installed":                         {Program: true, Rules: "{}\n"},
		"another hook sits in its place":        {Program: true, Hook: "#!/bin/sh\n"},
		"not known":                             {Program: true, Hook: ours, Gaps: []facts.Gap{{Fact: "guard.rules"}}},
	} {
		assert.Equal(t, want, g.Condition())
	}
}
