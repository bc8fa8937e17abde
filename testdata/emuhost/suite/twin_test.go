package suite

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/providers/emulated/parts"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// A twin that is made from larch's own survey is like larch, and gives the same answer
// to everything that is refused there.
func TestTwinRefusesTheSame(t *testing.T) {
	h := withProgram(t)
	m := twin.Of(h.survey())
	t.Cleanup(func() {
		h.run("sh", "-c", "rm -f /var/lib/stand-in*; sync")
		require.NoError(h, h.emulated.PowerCut())
		require.NoError(h, h.emulated.PowerOn(h.Context(), machine.Larch()))
	})
	h.run("sync")
	require.NoError(t, h.emulated.PowerCut())
	require.NoError(t, h.emulated.PowerOn(t.Context(), parts.Twin{Machine: m}))
	for name, content := range parts.StandIns() {
		require.NoError(t, h.emulated.WriteFile(t.Context(), name, content, 0o644))
	}
	h.shell(parts.Script(m))
	there := h.survey()
	assert.Empty(t, m.Missed(facts.NewIndex(&there)))

	refusals(t, h)
	hidden(t, h)
}

// survey gives the facts that lendkeep in the host reads.
func (h host) survey() facts.Survey {
	h.Helper()
	survey, err := facts.Decode([]byte(h.mustLendkeep("survey", "-o", "-")))
	require.NoError(h, err)
	return survey
}
