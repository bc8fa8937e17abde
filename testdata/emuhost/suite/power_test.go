package suite

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
)

// The plug is pulled and a card added in front: what was synced is there, what
// was not is lost, and every address behind the new card has moved while the
// drives have kept their serials and their content. The old definition now names
// another device; that is found, and an order corrects it.
func TestPowerCutAndAddedCard(t *testing.T) {
	h := withProgram(t)
	t.Cleanup(func() { // the cards go back to their places
		h.blank(machine.Spare)
		h.run("sync")
		require.NoError(t, h.emulated.PowerCut())
		require.NoError(t, h.emulated.PowerOn(h.Context(), machine.Larch()))
	})
	h.sleeping("grading")
	h.layout(one(nvme(machine.Reel)))
	h.apply()
	require.Contains(t, h.run("virsh", "dumpxml", "grading"), "bus='0x01'")
	h.run("sync")
	h.shell("printf reel-was-here | dd of=" + h.namespace(machine.Spare) + " conv=fsync status=none; echo late > /var/lib/late")

	require.NoError(t, h.emulated.PowerCut())
	_, err := h.emulated.Run(t.Context(), "true")
	require.Error(t, err, "a host without power answers nothing")
	crowded := machine.Larch()
	crowded.Seats = append([]machine.Seat{{Cards: []machine.Card{{Kind: machine.NVMe, Serial: "RL-4410-0999"}}}}, crowded.Seats...)
	require.NoError(t, h.emulated.PowerOn(t.Context(), crowded))
	assert.Empty(t, h.try("cat", "/var/lib/late").Stdout)
	assert.Equal(t, "0000:01:00.0", h.controllers()["RL-4410-0999"])
	assert.Equal(t, "0000:02:00.0", h.controllers()[machine.Reel])
	assert.Equal(t, "reel-was-here", h.run("head", "-c", "13", h.namespace(machine.Spare)))

	found := h.mustLendkeep("check", "workshop")
	assert.Contains(t, found, "guest grading would get the wrong device")
	assert.Contains(t, found, "RL-4410-0999")
	h.apply("--shift", "day")
	assert.Equal(t, "vfio-pci", h.driver("0000:02:00.0"))
	assert.Equal(t, "nvme", h.driver("0000:01:00.0"), "the new card was left alone")
	h.mustLendkeep("rollback")
	h.returned(machine.Reel)
}
