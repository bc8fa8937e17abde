package facts_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// A virtual function of a drive may reach what its parent has, unless it is live and
// shows what it has itself.
func TestVirtualFunctionMayReachTheDrivesOfItsParent(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder, *facts.Function)
		uses   int
	}{
		"offline":         {func(_ *invented.Builder, _ *facts.Function) {}, 1},
		"on VFIO":         {func(_ *invented.Builder, f *facts.Function) { f.Driver = "vfio-pci" }, 1},
		"bound, not live": {func(_ *invented.Builder, f *facts.Function) { f.NVMe = &facts.NVMe{State: "connecting"} }, 1},
		"live":            {func(_ *invented.Builder, f *facts.Function) { f.NVMe = &facts.NVMe{State: "live"} }, 0},
		"live, namespaces unknown": {func(_ *invented.Builder, f *facts.Function) {
			f.NVMe, f.Gaps = &facts.NVMe{State: "live"}, []facts.Gap{{Fact: "nvme.namespaces", Path: "/sys/x", Reason: "input/output error"}}
		}, 1},
		"of an unknown class": {func(_ *invented.Builder, f *facts.Function) {
			f.Class, f.Gaps = 0, []facts.Gap{{Fact: "class", Path: "/sys/x", Reason: "input/output error"}}
		}, 1},
		"of a network card": {func(_ *invented.Builder, f *facts.Function) { f.Class = 0x020000 }, 0},
		"of another than has the drive": {func(b *invented.Builder, f *facts.Function) {
			v, at := f.Address, b.Ethernet()
			b.Function(v).Parent = &at
		}, 0},
		"with a running guest":     {func(b *invented.Builder, f *facts.Function) { b.Guest("g", ""); b.Hold("g", f.Address); b.Run("g") }, 0},
		"with a guest that is off": {func(b *invented.Builder, f *facts.Function) { b.Guest("g", ""); b.Hold("g", f.Address) }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073", "films")
			b.Mount("nvme0n1p1", "/srv/films")
			v := b.Virtual(at, 1, 2, "")[0]
			c.change(b, b.Function(v))
			ix := facts.NewIndex(&b.Survey)
			assert.Len(t, ix.Uses(v), c.uses)
			assert.Len(t, ix.Uses(at), 1)
			assert.Empty(t, ix.OwnLiveUses(v), "its parent's go on without it")
			assert.Len(t, ix.OwnLiveUses(at), 1)
		})
	}
}

// The serial of a virtual function is its parent's.
func TestVirtualFunctionIsNoTwin(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073")
	v := b.Virtual(at, 2, 2, "nvme")[1]
	b.Function(v).NVMe = &facts.NVMe{Name: "nvme9", Serial: "RL-4410-0073", State: "live"}
	ix := facts.NewIndex(&b.Survey)
	assert.Len(t, ix.BySerial("RL-4410-0073"), 1)
	assert.Equal(t, v, ix.VirtualOf(at, 1).Address)
	assert.Nil(t, ix.VirtualOf(at, 2))
	assert.Nil(t, ix.VirtualOf(v, 0))
	made, gap := ix.MakesVirtual(ix.Function(at))
	assert.Equal(t, 2, made)
	assert.Nil(t, gap)
}

// A virtual function is where its number says, whatever address it was noted at, and
// nowhere while its parent is not home.
func TestWhereAVirtualFunctionIs(t *testing.T) {
	for name, c := range map[string]struct {
		change func(b *invented.Builder, at, v facts.Address)
		where  facts.Whereabouts
		why    string
	}{
		"home":           {func(b *invented.Builder, at, v facts.Address) {}, facts.Home, ""},
		"without driver": {func(b *invented.Builder, at, v facts.Address) { b.Function(v).Driver = "" }, facts.Home, ""},
		"aside":          {func(b *invented.Builder, at, v facts.Address) { b.Function(v).Driver = "vfio-pci" }, facts.Aside, ""},
		"lent": {func(b *invented.Builder, at, v facts.Address) {
			b.Guest("g", "")
			b.Hold("g", v)
			b.Run("g")
			b.Function(v).Driver = "vfio-pci"
		}, facts.Lent, ""},
		"moved": {func(b *invented.Builder, at, v facts.Address) { b.Function(v).Address.Slot = 0x1f }, facts.Home, ""},
		"of another number": {func(b *invented.Builder, at, v facts.Address) {
			n := 5
			b.Function(v).VirtualNumber = &n
		}, facts.Gone, "none of them is known to have the number 1"},
		"of no known number":    {func(b *invented.Builder, at, v facts.Address) { b.Function(v).VirtualNumber = nil }, facts.Gone, "none of them is known to have the number 1"},
		"of another kind":       {func(b *invented.Builder, at, v facts.Address) { b.Function(v).Device++ }, facts.Gone, "0000:d0:10.2 is 8086:10cb, where 8086:10ca belongs to it"},
		"of an unknown kind":    {func(b *invented.Builder, at, v facts.Address) { b.Function(v).Gaps = []facts.Gap{{Fact: "device"}} }, facts.Gone, "belongs to it"},
		"its parent on VFIO":    {func(b *invented.Builder, at, v facts.Address) { b.Function(at).Driver = "vfio-pci" }, facts.Gone, "its parent card is aside"},
		"its parent is another": {func(b *invented.Builder, at, v facts.Address) { b.Function(at).Device++ }, facts.Gone, "its parent card is gone"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.Ethernet()
			v := b.Virtual(at, 3, 7, "igbvf")[1]
			r := b.Virtually("port1", "card", v)
			c.change(b, at, v)
			ix := facts.NewIndex(&b.Survey)
			where, f, _ := ix.Where(r)
			assert.Equal(t, c.where, where)
			assert.Equal(t, where == facts.Gone, f == nil)
			if c.why == "" {
				assert.Empty(t, ix.NotVirtual(r))
			} else {
				assert.Contains(t, ix.NotVirtual(r), c.why)
			}
		})
	}
}

// Two virtual functions of one number are no sound survey: a record would mean both.
func TestVirtualFunctionsAreNumberedOnce(t *testing.T) {
	b := invented.NewBuilder()
	list := b.Virtual(b.Ethernet(), 2, 7, "")
	b.Survey.Sort()
	again := func() error {
		var text bytes.Buffer
		require.NoError(t, b.Survey.Encode(&text))
		_, err := facts.Decode(text.Bytes())
		return err
	}
	require.NoError(t, again())
	b.Function(list[1]).VirtualNumber = b.Function(list[0]).VirtualNumber
	assert.ErrorContains(t, again(), `virtual function "0 of 0000:d0:00.0" is listed twice`)
}
