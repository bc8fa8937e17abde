package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

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
