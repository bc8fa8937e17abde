package assess_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

func (b *bench) verdict(at facts.Address) string {
	ix := facts.NewIndex(&b.Survey)
	return assess.VerdictOn(ix, ix.Function(at)).String()
}

func TestVerdicts(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		want   string
	}{
		"nobody uses it": {func(b *bench) { b.Survey.Mounts = b.Survey.Mounts[:1] }, "may be lent"},
		"it is mounted":  {func(b *bench) {}, "not, because the host uses it: mount /srv/shelf"},
		"the system is on it": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Mount("nvme0n1p1", "/boot")
		}, "not, because the host's own system is on it"},
		"two reasons": {func(b *bench) {
			b.Survey.Machine.IOMMUs = 0
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}}
		}, "not, because the host uses it: swap /dev/nvme0n1p1; the host has no IOMMU in use"},
		"its group": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Card(b.reel, "e1000e")
		}, "not, because it can only go with its IOMMU group; 82574L Gigabit Network Connection at 0000:01:01.0: the host's driver e1000e holds it"},
		"a guest has it": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Hold("grading", b.reel)
			b.Run("grading")
			b.Function(b.reel).Driver = "vfio-pci"
		}, "not, because guest grading has it now"},
		"a guest has another of its group": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Hold("grading", b.Card(b.reel, "vfio-pci"))
			b.Run("grading")
		}, "not, because guest grading uses the IOMMU group of 82574L Gigabit Network Connection at 0000:01:01.0"},
		"a guest that is off has it in its definition": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Hold("grading", b.reel)
		}, "may be lent"},
		"it does not work": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Function(b.reel).NVMe.State = "dead"
		}, "not, because it does not work"},
		"another is like it": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.NVMe("RL-4410-0073")
		}, "not, because nothing that a layout can state tells it from QEMU NVMe Ctrl RL-4410-0073 at 0000:02:00.0"},
		"something of it is not known": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys", Reason: "permission denied"}}
		}, "not, because driver of it is not known"},
		"its kind is not known": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Function(b.reel).NVMe.Serial = ""
			b.Function(b.reel).Vendor = 0
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "vendor", Path: "/sys", Reason: "permission denied"}}
		}, "not, because its vendor or device number could not be read, and nothing else states it"},
		"nobody knows the guests": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "/libvirt", Reason: "no answer"}}
		}, "not, because guests could not be read"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			assert.Equal(t, c.want, b.verdict(b.reel))
		})
	}
}

// A virtual function is judged as one, and what has made it as its parent.
func TestVerdictsOnVirtualFunctions(t *testing.T) {
	b := newBench()
	at := b.Ethernet()
	v := b.Virtual(at, 2, 7, "igbvf")
	assert.Equal(t, "may be lent", b.verdict(v[1]))
	assert.Equal(t, "not, because it has virtual functions", b.verdict(at))
	b.Function(v[1]).VirtualNumber = nil
	assert.Equal(t, "not, because which of the virtual functions of Invented Ethernet at 0000:d0:00.0 it is, is not known", b.verdict(v[1]))
	b.Function(at).Driver = "vfio-pci"
	assert.Equal(t, "not, because its parent is on VFIO", b.verdict(v[0]))
	b.Function(at).Driver = "igb"
	b.Ethernet()
	assert.Equal(t, "not, because its parent cannot be stated: nothing that a layout can state tells it from Invented Ethernet at 0000:d1:00.0", b.verdict(v[0]))
}

// What can only go as a whole has the verdict of all of it, whichever of its functions
// is asked about.
func TestVerdictOnASlot(t *testing.T) {
	b := newBench()
	at := b.Screen()
	sound := at
	sound.Function = 1
	assert.Equal(t, "may be lent, with all functions of its slot", b.verdict(at))
	assert.Equal(t, b.verdict(at), b.verdict(sound))
	ix := facts.NewIndex(&b.Survey)
	assert.Equal(t, []*facts.Function{ix.Function(at)}, assess.VerdictOn(ix, ix.Function(sound)).With)

	b.Function(sound).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys", Reason: "permission denied"}}
	assert.Contains(t, b.verdict(at), "not, because driver of ")

	b = newBench()
	at = b.Screen()
	b.Hold("grading", at)
	b.Run("grading")
	b.Function(at).Driver = "vfio-pci"
	assert.Equal(t, "not, because guest grading has it now", b.verdict(at))
	sound = at
	sound.Function = 1
	assert.Contains(t, b.verdict(sound), "not, because ")
}

// A remedy for one that is offline works: no driver takes it where drivers do not take
// virtual functions.
func TestOfflineVirtualFunctionsRemedies(t *testing.T) {
	for _, probed := range []bool{true, false} {
		b := newBench()
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", b.Virtual(at, 1, 2, "")[0])
		b.Function(at).VirtualProbed = probed
		b.shift = "day"
		list := b.findings()
		i := slices.IndexFunc(list, func(f assess.Finding) bool { return strings.HasSuffix(f.Summary, "may be offline") })
		require.GreaterOrEqual(t, i, 0)
		remedies := strings.Join(list[i].Remedies, "\n")
		assert.Contains(t, remedies, "echo 0000:02:10.1 > /sys/bus/pci/drivers_probe")
		assert.Equal(t, !probed, strings.Contains(remedies, "echo 1 > /sys/bus/pci/devices/0000:02:00.0/sriov_drivers_autoprobe"))
	}
}

// Bridges get no verdict, as they are never lent.
func TestVerdictsLeaveBridgesOut(t *testing.T) {
	b := newBench()
	card := b.Card(b.reel, "lpc_ich")
	b.Function(card).Class = 0x060100
	list := assess.Verdicts(facts.NewIndex(&b.Survey))
	require.Len(t, list, 1)
	assert.Equal(t, b.reel, list[0].Of.Address)
}

// What may be lent by its verdict, no layout finds in use, protected or tied to
// what the host keeps.
func TestVerdictsHoldInEveryLayout(t *testing.T) {
	free, stops := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		survey, layout := invented.Any(t)
		ix := facts.NewIndex(&survey)
		c := assess.NewCase(layout, ix, nil)
		for _, f := range assess.Assess(c) {
			for _, controller := range layout.Controllers {
				found := c.Found(controller.Name).Function
				if f.Check == "host-use" && found != nil && strings.HasPrefix(f.Summary, "the host uses "+controller.Name+":") {
					stops++
					require.False(t, assess.VerdictOn(ix, found).MayBeLent(), f.Summary)
				}
			}
		}
		for _, v := range assess.Verdicts(ix) {
			if !v.MayBeLent() {
				continue
			}
			free++
			goes := map[facts.Address]bool{}
			for _, f := range append(v.With, v.Of) {
				goes[f.Address] = true
				require.Empty(t, ix.LiveUses(f.Address))
				require.Empty(t, f.Gaps)
			}
			require.Empty(t, ix.Blockers(*v.Of.Group, goes))
		}
	})
	require.Positive(t, free)
	require.Positive(t, stops)
}
