package memory_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
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
	require.NoError(t, host.ToHost(t.Context(), at, ""))

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

// What a driver had made of a virtual function it makes again: rehearsed, an undo leaves
// the host as it was. Those of an NVMe drive are offline.
func TestVirtualFunctionsAreMadeAgain(t *testing.T) {
	b, at, v := virtualHost()
	b.Function(v[0]).Interfaces, b.Function(v[0]).Shows = []facts.Interface{{Name: "port0"}}, []string{"ptp"}
	b.Function(v[1]).Driver = "ixgbevf"
	drive := b.NVMe("RL-4410-0073")
	b.Function(b.Virtual(drive, 1, 4, "nvme")[0]).NVMe = &facts.NVMe{Name: "nvme9", Serial: "RL-4410-0073", State: "live"}
	host := memory.New(b.Survey, nil)
	before := seen(t, host).Survey
	for _, count := range []int{4, 2} {
		require.NoError(t, host.MakeVirtual(t.Context(), at, count))
	}
	assert.Empty(t, facts.Differences(*before, *seen(t, host).Survey))
	for _, count := range []int{2, 1} {
		require.NoError(t, host.MakeVirtual(t.Context(), drive, count))
	}
	offline := seen(t, host).VirtualOf(drive, 0)
	require.NotNil(t, offline)
	assert.Nil(t, offline.NVMe)
	assert.Empty(t, offline.Driver)
}

// One of a drive that a guest had when the survey was taken was online, or nobody uses
// what it may reach: it is so again.
func TestLentVirtualFunctionOfADriveComesBackOnline(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "films")
	b.Mount("nvme0n1p1", "/srv/films")
	v := b.Virtual(at, 2, 4, "vfio-pci")
	b.Guest("films", "", b.Virtually("part0", "drive", v[0]))
	b.Run("films")
	host := memory.New(b.Survey, nil)
	require.NoError(t, host.Stop(t.Context(), "films", 0))
	require.NoError(t, host.ToHost(t.Context(), v[1], ""))
	ix := seen(t, host)
	require.NotNil(t, ix.Function(v[0]).NVMe)
	assert.Equal(t, "RL-4410-0073", ix.Function(v[0]).NVMe.Serial)
	assert.Empty(t, ix.LiveUses(v[0]))
	assert.NotEmpty(t, ix.LiveUses(v[1]), "of one that nobody had it is not known")
	require.NoError(t, host.Start(t.Context(), "films"))
	assert.Empty(t, host.LentInUse())
}

// Where the rules say that it was offline when it was last at home, it is so again.
func TestLentVirtualFunctionComesBackAsRulesHaveIt(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "films")
	v := b.Virtual(at, 1, 4, "vfio-pci")
	part := b.Virtually("part0", "drive", v[0])
	b.Guest("films", "", part)
	b.Run("films")
	rules := guard.Rules{Format: guard.Format, NeverLend: []string{}, Guests: []guard.Guest{}, Controllers: []guard.Controller{{
		Identity: part, Within: time.Minute, OnFailure: "hold", Mounts: []guard.Mount{}, Keeps: []guard.Partition{}, Shown: []guard.Shown{{Function: v[0].Function}}}}}
	b.Survey.Guard.Rules = rules.Encode()
	_, err := guard.Decode(b.Survey.Guard.Rules)
	require.NoError(t, err)
	host := memory.New(b.Survey, nil)
	require.NoError(t, host.Stop(t.Context(), "films", 0))
	assert.Nil(t, seen(t, host).Function(v[0]).NVMe)
	assert.Empty(t, seen(t, host).Function(v[0]).Driver)
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
