package memory_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// virtualHost is a network card with two virtual functions, and a guest with the second.
func virtualHost() (b *invented.Builder, at facts.Address, v []facts.Address) {
	b = invented.NewBuilder()
	at = b.Ethernet()
	v = b.Virtual(at, 2, 7, "igbvf")
	b.Guest("films", "", b.Virtually("port1", "card", v[1]))
	return b, at, v
}

func seen(t *testing.T, host *memory.Host) *facts.Index {
	survey, err := host.Survey(t.Context())
	require.NoError(t, err)
	return facts.NewIndex(&survey)
}

// The kernel makes virtual functions by the card's driver, no more than it can; those
// that there were come where they were.
func TestMakeVirtual(t *testing.T) {
	b, at, v := virtualHost()
	host := memory.New(b.Survey, nil)
	require.NoError(t, host.MakeVirtual(t.Context(), at, 4))
	ix := seen(t, host)
	require.Len(t, ix.Virtuals(at), 4)
	for n := range 4 {
		f := ix.VirtualOf(at, n)
		require.NotNil(t, f, n)
		assert.Equal(t, "igbvf", f.Driver)
		assert.Len(t, ix.Group(*f.Group), 1)
	}
	assert.Equal(t, v[1], ix.VirtualOf(at, 1).Address)
	assert.Equal(t, 4, ix.Function(at).Virtual)

	require.NoError(t, host.MakeVirtual(t.Context(), at, 0))
	assert.Empty(t, seen(t, host).Virtuals(at))
	assert.ErrorContains(t, host.Start(t.Context(), "films"), "not found")
	assert.ErrorContains(t, host.MakeVirtual(t.Context(), at, 8), "numerical result out of range")
	assert.ErrorContains(t, host.MakeVirtual(t.Context(), facts.Address{Bus: 9}, 1), "no such file")
	require.NoError(t, host.ToVFIO(t.Context(), at))
	assert.ErrorContains(t, host.MakeVirtual(t.Context(), at, 2), "no such file")
	require.NoError(t, host.ToHost(t.Context(), at))

	require.NoError(t, host.MakeVirtual(t.Context(), at, 2))
	require.NoError(t, host.Start(t.Context(), "films"))
	assert.ErrorContains(t, host.MakeVirtual(t.Context(), at, 3), "is in use")
	assert.Len(t, seen(t, host).Virtuals(at), 2)
	require.NoError(t, host.Stop(t.Context(), "films", 0))
	require.NoError(t, host.MakeVirtual(t.Context(), at, 7))
	host.PowerCut()
	assert.Len(t, seen(t, host).Virtuals(at), 2, "as many as when the survey was taken")
	assert.Empty(t, host.LentInUse())
}

// What has made virtual functions goes nowhere, and takes them offline when somebody
// tries; none goes anywhere while it is away.
func TestParentIsNotLent(t *testing.T) {
	b, at, v := virtualHost()
	b.Guest("other", "", b.Identity("card", at))
	host := memory.New(b.Survey, nil)
	assert.ErrorContains(t, host.Start(t.Context(), "other"), "is not accessible")
	assert.Len(t, host.LentInUse(), 2)
	assert.False(t, seen(t, host).Function(at).OnVFIO())
	assert.ErrorContains(t, host.ToVFIO(t.Context(), at), "is not accessible")

	b.Function(at).Virtual, b.Function(at).Driver = 2, "vfio-pci"
	host = memory.New(b.Survey, nil)
	assert.ErrorContains(t, host.Start(t.Context(), "films"), "Permission denied")
	assert.False(t, seen(t, host).Function(v[1]).OnVFIO())
}
