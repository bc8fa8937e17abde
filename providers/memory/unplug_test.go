package memory_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// A card that is unplugged is gone at once, or once its guest has let it go; a boot
// finds it again, with its mount where the host's own files have one.
func TestUnplug(t *testing.T) {
	for name, lent := range map[string]bool{"at home": false, "lent": true} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073", "shelf")
			b.Guest("grading", "", b.Identity("reel", at))
			before := b.Survey
			before.Mounts = []facts.Mount{{Devno: b.Block("nvme0n1p1").Devno, Root: "/", Path: "/srv/shelf", Kind: "xfs", Options: []string{"rw"}}}
			h := memory.New(b.Survey, nil)
			h.Boots(before.Mounts)
			if lent {
				require.NoError(t, h.StartByHand(t.Context(), "grading"))
			}
			h.Unplug(at)
			if lent {
				require.NotNil(t, stands(t, h).Function(at), "vfio-pci waits for the guest")
				require.NoError(t, h.EndByHand("grading"))
			}
			ix := stands(t, h)
			assert.Nil(t, ix.Function(at))
			assert.Nil(t, ix.Block("nvme0n1"))
			assert.Error(t, h.StartByHand(t.Context(), "grading"))
			assert.Error(t, h.ToHost(t.Context(), at, ""))

			h.PowerCut()
			ix = stands(t, h)
			require.NotNil(t, ix.Function(at))
			assert.Equal(t, "nvme", ix.Function(at).Driver)
			assert.NotNil(t, ix.Block("nvme0n1p1"))
			assert.NotNil(t, ix.MountAt("/srv/shelf"))
		})
	}
}

func stands(t *testing.T, h *memory.Host) *facts.Index {
	t.Helper()
	survey, err := h.Survey(t.Context())
	require.NoError(t, err)
	return facts.NewIndex(&survey)
}

// libvirt starts guests when the host comes up, by the guard's word.
func TestBootStartsGuests(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	b.Guest("grading", "", b.Identity("reel", at))
	b.Guest("catalogue", "/srv/images/catalogue.qcow2")
	b.Run("catalogue")
	for i := range b.Survey.Libvirt.Guests {
		b.Survey.Libvirt.Guests[i].Autostart = b.Survey.Libvirt.Guests[i].Name == "grading"
	}
	h := memory.New(b.Survey, nil)
	h.PowerCut()
	ix := stands(t, h)
	assert.True(t, ix.Guest("grading").Running)
	assert.False(t, ix.Guest("catalogue").Running)
	assert.True(t, ix.Function(at).OnVFIO())

	h.PowerCutWithout(at)
	ix = stands(t, h)
	assert.False(t, ix.Guest("grading").Running, "its card is missing")
	assert.Nil(t, ix.Function(at))
	h.PowerCut()
	assert.True(t, stands(t, h).Guest("grading").Running, "and is there again")
}

// What only driver_override kept for pci-stub comes back with whatever the kernel finds,
// or to pci-stub where the override is written again; what pci-stub had by itself comes
// back to it.
func TestOverrideIsGoneAfterAReturn(t *testing.T) {
	for override, driver := range map[string]string{"pci-stub": "", "": "pci-stub"} {
		b := invented.NewBuilder()
		at := b.Card(b.NVMe("RL-4410-0073", "shelf"), "pci-stub")
		b.Function(at).DriverOverride = override
		h := memory.New(b.Survey, nil)
		require.NoError(t, h.ToVFIO(t.Context(), at))
		require.NoError(t, h.ToHost(t.Context(), at, ""))
		assert.Equal(t, driver, stands(t, h).Function(at).Driver)
		assert.Empty(t, stands(t, h).Function(at).DriverOverride)
		require.NoError(t, h.ToVFIO(t.Context(), at))
		require.NoError(t, h.ToHost(t.Context(), at, "pci-stub"))
		assert.Equal(t, "pci-stub", stands(t, h).Function(at).Driver)
		assert.Equal(t, "pci-stub", stands(t, h).Function(at).DriverOverride)
	}
}
