package guard_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// workshop is a guarded host on which everybody starts and ends guests by hand:
// two that share reel, one that borrows spare, one on each shelf, one that no
// layout knows but that names both addresses.
func workshop(t require.TestingT) *memory.Host {
	b := invented.NewBuilder()
	reel, spare := b.NVMe("RL-4410-0073", "start", "shelf"), b.NVMe("RL-4410-0088", "attic")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "", b.Identity("reel", reel))
	b.Guest("second", "", b.Identity("reel", reel))
	b.Guest("third", "", b.Identity("spare", spare))
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Guest("attic", "/srv/attic/attic.qcow2")
	b.Guest("stranger", "", b.Identity("a", reel), b.Identity("b", spare))
	layout := invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf"), invented.Controller("spare", "RL-4410-0088", "attic", "/srv/attic")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("second", "reel"), invented.Guest("third", "spare"),
			invented.Guest("catalogue"), invented.Guest("attic")})
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	host := memory.New(b.Survey, nil)
	rules := order.CompileRules(c)
	require.NotEmpty(t, rules.Guests)
	require.NoError(t, host.Install(context.Background(), facts.GuardFiles{Hook: guard.Script, Rules: rules.Encode()}))
	return host
}

var guests = []string{"grading", "second", "third", "catalogue", "attic", "stranger"}

// TestNothingIsInUseByTwo: no sequence of starts, ends, mounts by hand,
// controllers that do not come back and power cuts leads to a drive that is lent while the host has it mounted, to a
// controller with two guests, or to a guest without the mount it lives on.
func TestNothingIsInUseByTwo(t *testing.T) {
	started, refused := map[string]int{}, 0
	rapid.Check(t, func(t *rapid.T) {
		host := workshop(t)
		done := ""
		for range rapid.IntRange(1, 25).Draw(t, "how many") {
			name := rapid.SampledFrom(guests).Draw(t, "guest")
			switch deed := rapid.SampledFrom([]string{"start", "start", "start", "end", "end", "mount", "unmount", "stubborn", "cut"}).Draw(t, "deed"); deed {
			case "start":
				if host.StartByHand(t.Context(), name) == nil {
					started[name]++
				} else {
					refused++
				}
				done += "; start " + name
			case "end":
				_ = host.EndByHand(name) // one that does not run
				done += "; end " + name
			case "mount":
				host.MountAll(facts.Address{Bus: uint8(rapid.IntRange(1, 2).Draw(t, "bus"))})
				done += "; mount"
			case "unmount":
				_ = host.Unmount(t.Context(), rapid.SampledFrom([]string{"/srv/shelf", "/srv/attic", "/mnt/nvme0n1p1", "/mnt/nvme1n1p1"}).Draw(t, "place"))
				done += "; unmount"
			case "stubborn":
				host.Stubborn(facts.Address{Bus: uint8(rapid.IntRange(1, 2).Draw(t, "bus"))}, rapid.SampledFrom([]guard.Rung{guard.Probe, guard.Reset, guard.Rescan, memory.Never}).Draw(t, "until"))
				done += "; stubborn"
			case "cut":
				host.PowerCut()
				done += "; power cut"
			}
			sound(t, host, done)
		}
	})
	for _, name := range guests[:5] {
		require.Positive(t, started[name], name)
	}
	require.Zero(t, started["stranger"])
	require.Positive(t, refused)
	fmt.Printf("started %v, refused %d\n", started, refused)
}

// sound holds what must never be.
func sound(t *rapid.T, host *memory.Host, done string) {
	survey, err := host.Survey(t.Context())
	require.NoError(t, err)
	there := map[facts.Devno]bool{}
	for _, b := range survey.Blocks {
		there[b.Devno] = true
	}
	for _, m := range survey.Mounts {
		require.True(t, there[m.Devno], "%s is mounted from a drive that was taken away: %s", m.Path, done)
	}
	holder := map[facts.Address]string{}
	for _, g := range survey.Libvirt.Guests {
		if g.Live == nil {
			continue
		}
		for _, l := range g.Live.Hostdevs {
			require.Empty(t, holder[l.Address], "%s has what %s has: %s", g.Name, holder[l.Address], done)
			holder[l.Address] = g.Name
		}
		home := map[string]string{"catalogue": "/srv/shelf", "attic": "/srv/attic"}[g.Name]
		require.True(t, home == "" || slices.ContainsFunc(survey.Mounts, func(m facts.Mount) bool { return m.Path == home }), "%s runs without %s: %s", g.Name, home, done)
	}
}

// Without the guard the same host loses a drive under a mount at the first
// start, so the property above can fail.
func TestWithoutTheGuardADriveIsLost(t *testing.T) {
	host := workshop(t)
	require.NoError(t, host.Install(t.Context(), facts.GuardFiles{}))
	require.NoError(t, host.StartByHand(t.Context(), "grading"))
	survey, err := host.Survey(t.Context())
	require.NoError(t, err)
	ix := facts.NewIndex(&survey)
	require.NotNil(t, ix.MountAt("/srv/shelf"))
	require.Nil(t, ix.Device(ix.MountAt("/srv/shelf").Source))
}
