package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

// Another number is made only while the card is home with its driver and nobody has a
// virtual function that would go, or may have.
func TestMakeVirtual(t *testing.T) {
	inUse := func(b *invented.Builder, v []facts.Address) {
		b.Function(v[0]).Interfaces = []facts.Interface{{Name: "eth9", Up: true}}
	}
	for name, c := range map[string]struct {
		change        func(b *invented.Builder, at facts.Address, v []facts.Address)
		stands        step.Standing
		ready, undone string // why not; empty: it is, or may be
	}{
		"before": {func(b *invented.Builder, at facts.Address, v []facts.Address) {}, step.Before, "", ""},
		"after": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Virtual(at, 2, 7, "")
			b.Function(at).Virtual = 4
		}, step.After, "", ""},
		"none, in between": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Survey.Functions, b.Survey.Functions[0].Virtual = b.Survey.Functions[:1], 0
		}, step.Neither, "", ""},
		"not all are seen": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Survey.Functions = b.Survey.Functions[:2]
		}, step.Before, "1 of them were seen, of 2", "1 of them were seen, of 2"},
		"after, not all seen": {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(at).Virtual = 4 }, step.Neither, "2 of them were seen, of 4", "2 of them were seen, of 4"},
		"somebody made others": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Virtual(at, 1, 7, "")
			b.Function(at).Virtual = 3
		}, step.Neither, "", ""},
		"one is in use":  {func(b *invented.Builder, at facts.Address, v []facts.Address) { inUse(b, v) }, step.Before, "the host uses 8086:10ca at 0000:d0:10.1", "the host uses 8086:10ca at 0000:d0:10.1"},
		"one is on VFIO": {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(v[1]).Driver = "vfio-pci" }, step.Before, "0000:d0:10.2 is on VFIO", "is on VFIO"},
		"one is lent": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Guest("films", "")
			b.Hold("films", v[1])
			b.Run("films")
		}, step.Before, "guest films has 8086:10ca at 0000:d0:10.2", "guest films has"},
		"one of a drive is online": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Function(v[1]).NVMe = &facts.NVMe{Name: "nvme9", Model: "QEMU NVMe Ctrl", Serial: "RL-4410-0088", State: "live"}
		}, step.Before, "the host's nvme driver has QEMU NVMe Ctrl RL-4410-0088 at 0000:d0:10.2", "the host's nvme driver has"},
		"of one something is not known": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Function(v[1]).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys/x/driver", Reason: "input/output error"}}
		}, step.Before, "driver of 8086:10ca at 0000:d0:10.2 is not known: /sys/x/driver: input/output error", "is not known"},
		"the card has no driver": {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(at).Driver = "" }, step.Before, "no driver of the host's has 0000:d0:00.0", "no driver of the host's"},
		"the card is on VFIO":    {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(at).Driver = "vfio-pci" }, step.Neither, "it is not home at 0000:d0:00.0", "it is not home"},
		"another card":           {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(at).Device++ }, step.Neither, "it is not home", "it is not home"},
		"too many":               {func(b *invented.Builder, at facts.Address, v []facts.Address) { b.Function(at).VirtualMost = 3 }, step.Before, "makes 3 at most", ""},
		"how many is not known": {func(b *invented.Builder, at facts.Address, v []facts.Address) {
			b.Function(at).Gaps = []facts.Gap{{Fact: "virtual_functions", Path: "/sys/x/sriov_numvfs", Reason: "input/output error"}}
		}, step.Neither, "/sys/x/sriov_numvfs could not be read", "could not be read"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.Ethernet()
			v := b.Virtual(at, 2, 7, "igbvf")
			s := &step.MakeVirtual{Controller: b.Identity("card", at), Before: 2, After: 4}
			c.change(b, at, v)
			ix := answered(b)
			standing, seen := s.Stands(ix)
			assert.Equal(t, c.stands, standing, seen)
			assert.NotEmpty(t, seen)
			tells := func(err error, why string) {
				if why == "" {
					assert.NoError(t, err)
					return
				}
				assert.ErrorContains(t, err, why)
			}
			tells(s.Ready(ix), c.ready)
			tells(s.MayUndo(ix), c.undone)
		})
	}
}

// The virtual functions of a drive that the host uses may go, and onto VFIO again: the
// drive stays where it is.
func TestADriveIsUsedWithoutItsVirtualFunctions(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "films")
	b.Mount("nvme0n1p1", "/srv/films")
	part := b.Virtually("part", "drive", b.Virtual(at, 1, 4, "")[0])
	ix := answered(b)
	require.NotEmpty(t, ix.LiveUses(part.Address))
	s := &step.MakeVirtual{Controller: b.Identity("drive", at), Before: 1, After: 2}
	assert.NoError(t, s.Ready(ix))
	assert.NoError(t, s.MayUndo(ix))
	assert.NoError(t, (&step.TakeBack{Controller: part, Idle: true}).MayUndo(ix))
}

// Nobody was asked who holds what the virtual functions have, so none goes.
func TestNoVirtualFunctionGoesUnasked(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Ethernet()
	b.Virtual(at, 2, 7, "igbvf")
	s := &step.MakeVirtual{Controller: b.Identity("card", at), Before: 2, After: 0}
	assert.ErrorContains(t, s.Ready(facts.NewIndex(&b.Survey)), "the kernel was not asked")
	assert.NoError(t, s.Ready(answered(b)))
}

func TestMakeVirtualIsSound(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Ethernet()
	card, port := b.Identity("card", at), b.Virtually("port", "card", b.Virtual(at, 1, 7, "")[0])
	whole := b.Whole("screen", b.Screen())
	assert.NoError(t, (&step.MakeVirtual{Controller: card, After: 2}).Sound())
	for _, s := range []step.MakeVirtual{{Controller: card}, {Controller: card, After: -1}, {Controller: card, Before: -1, After: 1}, {Controller: card, After: 1 << 16},
		{Controller: port, After: 1}, {Controller: whole, After: 1}} {
		assert.Error(t, s.Sound(), "%+v", s)
	}
}
