package guard_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
)

// lost takes reel from the host's driver and gives it to nobody.
func (b *bench) lost() {
	b.unmounted()
	b.aside(b.reel)
	b.Function(b.reel).Driver = ""
}

func TestClimb(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		tried  []guard.Rung
		next   guard.Rung
		end    string
	}{
		"without a driver":            {(*bench).lost, nil, guard.Probe, ""},
		"a probe did not help":        {(*bench).lost, []guard.Rung{guard.Probe}, guard.Reset, ""},
		"nor a reset":                 {(*bench).lost, []guard.Rung{guard.Probe, guard.Reset}, guard.Rescan, ""},
		"nor anything":                {(*bench).lost, []guard.Rung{guard.Probe, guard.Reset, guard.Rescan}, "", "needs a power cycle"},
		"never down again":            {(*bench).lost, []guard.Rung{guard.Rescan}, "", "needs a power cycle"},
		"bound, but not live":         {func(b *bench) { b.unmounted(); b.Function(b.reel).NVMe.State = "resetting" }, nil, guard.Rebind, ""},
		"bound, no drive on it":       {(*bench).unmounted, []guard.Rung{guard.Rebind}, guard.Reset, ""},
		"it cannot be reset":          {func(b *bench) { b.lost(); b.Function(b.reel).ResetMethods = nil }, []guard.Rung{guard.Probe}, guard.Rescan, ""},
		"by the bus, on the root bus": {func(b *bench) { b.lost(); b.Function(b.reel).ResetMethods = []string{"bus"} }, []guard.Rung{guard.Probe}, guard.Rescan, ""},
		"by the bus, alone below its port": {func(b *bench) {
			b.lost()
			b.Function(b.reel).ResetMethods, b.Function(b.reel).Upstream = []string{"bus"}, &facts.Address{Slot: 4}
		}, []guard.Rung{guard.Probe}, guard.Reset, ""},
		"by the bus, another below its port": {func(b *bench) {
			b.lost()
			b.Function(b.reel).ResetMethods, b.Function(b.reel).Upstream = []string{"bus"}, &facts.Address{Slot: 4}
			b.Function(b.spare).Upstream = &facts.Address{Slot: 4}
		}, []guard.Rung{guard.Probe}, guard.Rescan, ""},
		"not to be seen": {func(b *bench) { b.lost(); b.Survey.Functions = b.Survey.Functions[1:] }, nil, guard.Rescan, ""},

		"it has virtual functions": {func(b *bench) { b.lost(); b.Function(b.reel).Virtual = 1 }, nil, "", "it has virtual functions, or may have"},
		"it may have some": {func(b *bench) {
			b.lost()
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "virtual_functions", Path: "/sys/x", Reason: "input/output error"}}
		}, nil, "", "it has virtual functions, or may have"},
		"another device at its address": {func(b *bench) { b.lost(); b.Function(b.reel).Vendor = 0x8086 }, nil, "", "at 0000:01:00.0 is QEMU NVM Express"},
		"another drive at its address":  {func(b *bench) { b.unmounted(); b.Function(b.reel).NVMe.Serial = "NEW" }, nil, "", "QEMU NVMe Ctrl NEW at 0000:01:00.0 now"},
		"a twin of its serial":          {func(b *bench) { b.unmounted(); b.NVMe("RL-4410-0073") }, nil, "", "both have its serial"},
		"a guest has it":                {func(b *bench) { b.unmounted(); b.aside(b.reel) }, nil, "", "on VFIO"},
		"libvirt is taking it":          {func(b *bench) { b.lost(); b.Function(b.reel).DriverOverride = "vfio-pci" }, nil, "", "or about to be"},
		"the host uses it":              {func(b *bench) {}, nil, "", "the host uses it: 0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"},
		"its driver is not known": {func(b *bench) {
			b.lost()
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys/x", Reason: "input/output error"}}
		}, nil, "", "driver is not known"},
		"mounts are not known": {func(b *bench) {
			b.lost()
			b.Survey.Gaps = []facts.Gap{{Fact: "mounts", Path: "/proc/self/mountinfo", Reason: "it is cut"}}
		}, nil, "", "what the host uses is not known"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.change(b)
			next := guard.NextRung(b.index(), b.rules.Controllers[0].Identity, attempts(b.reel, c.tried...))
			assert.Equal(t, c.next, next.Rung)
			if c.end == "" {
				assert.Empty(t, next.End)
				assert.Equal(t, b.reel, next.At)
			} else {
				assert.Contains(t, next.End, c.end)
			}
		})
	}
}

// attempts are rungs that were done to a function.
func attempts(at facts.Address, list ...guard.Rung) []guard.Attempt {
	var tried []guard.Attempt
	for _, rung := range list {
		tried = append(tried, guard.Attempt{Rung: rung, At: at})
	}
	return tried
}

// Of a whole slot each function that has no driver gets a rung before any gets the
// next; one that the host has again, and may use, is left alone.
func TestClimbOfAWholeSlot(t *testing.T) {
	b, at, sound := wholeBench(t)
	screen := b.rules.Controllers[0].Identity
	b.Function(at).ResetMethods = []string{"flr"}
	assert.Equal(t, "each function of it has its driver", guard.NextRung(b.index(), screen, nil).End)
	card := b.Identity("card", b.Card(at, "e1000e"))
	assert.Equal(t, "each function of it has its driver", guard.NextRung(b.index(), card, nil).End)
	b.Function(card.Address).Driver = ""
	assert.Equal(t, guard.Attempt{Rung: guard.Probe, At: card.Address}, guard.NextRung(b.index(), card, nil))
	b.Function(sound).Driver = ""
	b.Function(at).Attached = []facts.Attached{{Name: "fb0", Class: "graphics", Shows: facts.ShowsConsole}}
	assert.Equal(t, guard.Attempt{Rung: guard.Probe, At: sound}, guard.NextRung(b.index(), screen, nil))
	b.Function(at).Attached, b.Function(at).Driver = nil, ""
	var done []guard.Attempt
	for next := guard.NextRung(b.index(), screen, nil); next.Rung != ""; next = guard.NextRung(b.index(), screen, done) {
		done = append(done, next)
	}
	assert.Equal(t, []guard.Attempt{{Rung: guard.Probe, At: at}, {Rung: guard.Probe, At: sound}, {Rung: guard.Reset, At: at}, {Rung: guard.Rescan, At: at}, {Rung: guard.Rescan, At: sound}}, done)
	b.Function(sound).DriverOverride = "vfio-pci"
	assert.Contains(t, guard.NextRung(b.index(), screen, nil).End, "on VFIO, or about to be")
	b.aside(at)
	assert.Contains(t, guard.NextRung(b.index(), screen, nil).End, "on VFIO, or about to be")
}

// A controller that has moved is climbed for where it is.
func TestClimbGoesByTheSerial(t *testing.T) {
	b := newBench(t)
	b.unmounted()
	b.Function(b.reel).NVMe.Serial, b.Function(b.spare).NVMe.Serial = "RL-4410-0088", "RL-4410-0073"
	assert.Equal(t, guard.Attempt{Rung: guard.Rebind, At: b.spare}, guard.NextRung(b.index(), b.rules.Controllers[0].Identity, nil))
}

// However a controller looks, the ladder ends after each rung at most once,
// never goes down, and touches nothing that is on VFIO or in use.
func TestLadderEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := invented.NewBuilder()
		at := b.NVMe("RL-4410-0073", "shelf")
		record := b.Identity("reel", at)
		home := *b.Function(at)
		var tried []guard.Attempt
		rungs := map[guard.Rung]bool{}
		for {
			f := b.Function(at)
			*f = home
			if !rapid.Bool().Draw(t, "bound") {
				f.NVMe, f.Driver = nil, rapid.SampledFrom([]string{"", "nvme", "vfio-pci"}).Draw(t, "driver")
			}
			f.ResetMethods = rapid.SampledFrom([][]string{nil, {"bus"}, {"flr", "bus"}}).Draw(t, "methods")
			b.Survey.Mounts = b.Survey.Mounts[:1]
			used := rapid.IntRange(0, 5).Draw(t, "in use") == 0
			if used {
				b.Mount("nvme0n1p1", "/srv/shelf")
			}
			next := guard.NextRung(facts.NewIndex(&b.Survey), record, tried)
			require.Equal(t, next.Rung == "", next.End != "")
			if next.Rung == "" {
				return
			}
			require.False(t, f.OnVFIO() || used)
			require.False(t, rungs[next.Rung])
			rungs[next.Rung] = true
			tried = append(tried, next)
			require.LessOrEqual(t, len(tried), 4)
		}
	})
}

// The stand-in host brings a stubborn controller back at its rung; one that
// comes at none holds the guests that need its shelf, until a power cut.
func TestStubbornController(t *testing.T) {
	for _, until := range []guard.Rung{guard.Probe, guard.Reset, guard.Rescan, memory.Never} {
		t.Run(string(until), func(t *testing.T) {
			host := workshop(t)
			require.NoError(t, host.StartByHand(t.Context(), "grading"))
			host.Stubborn(facts.Address{Bus: 1}, until)
			require.NoError(t, host.EndByHand("grading"))
			err := host.StartByHand(t.Context(), "catalogue")
			if until != memory.Never {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, "it has files on /srv/shelf of controller reel, and nothing is mounted there")
			require.ErrorContains(t, host.StartByHand(t.Context(), "grading"), "controller reel at 0000:01:00.0 does not work")
			host.PowerCut()
			require.NoError(t, host.StartByHand(t.Context(), "catalogue"))
		})
	}
}
