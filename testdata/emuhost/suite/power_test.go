package suite

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/emuhost/machine"
)

// The plug is pulled and a card added in front: what was synced is there,
// what was not is lost, and every address behind the new card has moved while
// the drives have kept their serials and their content.
func TestPowerCutAndAddedCard(t *testing.T) {
	h := onLarch(t)
	require.Equal(t, "0000:01:00.0", h.controllers()[machine.Reel])
	require.NoError(t, h.emulated.WriteFile(t.Context(), "/var/lib/synced", []byte("kept\n"), 0o644))
	h.shell("printf reel-was-here | dd of=" + h.namespace(machine.Spare) + " conv=fsync status=none; echo late > /var/lib/late")

	require.NoError(t, h.emulated.PowerCut())
	_, err := h.emulated.Run(t.Context(), "true")
	require.Error(t, err, "a host without power answers nothing")
	crowded := machine.Larch()
	crowded.Seats = append([]machine.Seat{{Cards: []machine.Card{{Kind: machine.Network}}}}, crowded.Seats...)
	t.Cleanup(func() { assert.NoError(t, h.emulated.PowerCut()) })
	require.NoError(t, h.emulated.PowerOn(t.Context(), crowded))

	assert.Equal(t, "kept\n", h.run("cat", "/var/lib/synced"))
	assert.Empty(t, h.try("cat", "/var/lib/late").Stdout)
	assert.Equal(t, "e1000e", h.driver("0000:01:00.0"), "another device is at the address now")
	assert.Equal(t, "0000:02:00.0", h.controllers()[machine.Reel])
	assert.Equal(t, "reel-was-here", h.run("head", "-c", "13", h.namespace(machine.Spare)))
}
