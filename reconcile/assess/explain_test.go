package assess_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
)

var severities = regexp.MustCompile(`\b(stop|caution|note)\b`)

// Each check says what it means, which severities it can have (those of the cases,
// one for each) and what to do.
func TestEveryCheckExplainsItself(t *testing.T) {
	for _, name := range assess.Names() {
		text, ok := assess.Explain(name)
		require.True(t, ok, name)
		paragraphs := strings.Split(strings.TrimSpace(text), "\n\n")
		require.GreaterOrEqual(t, len(paragraphs), 3, text)
		assert.True(t, strings.HasPrefix(paragraphs[0], name+": "), text)
		assert.Greater(t, len(paragraphs[0]), 80, text)
		severity, remedy := paragraphs[len(paragraphs)-2], paragraphs[len(paragraphs)-1]
		assert.True(t, strings.HasPrefix(severity, "Severity: "), text)
		assert.True(t, strings.HasPrefix(remedy, "Remedy: "), text)

		var shown []string
		for _, c := range cases {
			if c.check == name {
				shown = append(shown, string(c.severity))
			}
		}
		slices.Sort(shown)
		assert.ElementsMatch(t, slices.Compact(shown), severities.FindAllString(severity, -1), name)
	}
	_, ok := assess.Explain("hostuse")
	assert.False(t, ok)
}

func TestManualHasEveryCheckOnce(t *testing.T) {
	var titles []string
	for _, m := range regexp.MustCompile(`(?m)^### (.*)$`).FindAllStringSubmatch(assess.Manual(), -1) {
		titles = append(titles, m[1])
	}
	assert.Equal(t, assess.Names(), titles)
}
