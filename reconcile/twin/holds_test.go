package twin_test

import (
	"slices"
	"strings"

	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// holds is what must be true of the twin of any host.
func holds(t require.TestingT, survey facts.Survey, m twin.Machine) {
	require.Equal(t, m, twin.Of(survey), "the same survey gives the same machine")
	everyFunction(t, survey, m)
	groupsKeep(t, survey, m)
	buildable(t, m)
	drivesAreSound(t, m)
	require.Len(t, own(&m), 1)
	guestsKeep(t, survey, m)
	for _, u := range m.Unlike {
		require.NotEmpty(t, u.Twin, u.Fact)
		require.NotEmpty(t, u.Hides, u.Fact)
		require.NotContains(t, u.Twin, "nobody has said", u.Fact)
	}
}

// guestsKeep: each guest is in the machine, or told not to be; it borrows what it
// borrows on the host, where that is in the machine, and its images are where the
// machine has nothing of its own.
func guestsKeep(t require.TestingT, survey facts.Survey, m twin.Machine) {
	copied := map[string]twin.Guest{}
	for _, g := range m.Guests {
		copied[g.Name] = g
		for _, image := range g.Images {
			require.Regexp(t, `^/(srv|var|home|mnt|opt|data|media)/`, image.Path)
		}
	}
	for _, g := range survey.Libvirt.Guests {
		is, there := copied[g.Name]
		if !there {
			require.Contains(t, said(m, "guest"), g.Name)
			continue
		}
		d, err := definition.Read(is.XML)
		require.NoError(t, err)
		require.LessOrEqual(t, d.MemoryBytes, uint64(256<<20))
		var want []facts.Address
		for _, lent := range g.Kept.Hostdevs {
			if at, known := m.Place(lent.Address); known {
				want = append(want, at)
			}
		}
		var has []facts.Address
		for _, lent := range d.Hostdevs {
			has = append(has, lent.Address)
		}
		require.Equal(t, want, has, "%s: %s", g.Name, is.Changes)
	}
}

// everyFunction: each is in the machine once, or told not to be.
func everyFunction(t require.TestingT, survey facts.Survey, m twin.Machine) {
	in := map[string]int{}
	m.Each(func(p *twin.Part) {
		if p.Of != nil {
			in[p.Of.String()]++
		}
	})
	for _, of := range said(m, "function") {
		in[of]++
	}
	for _, f := range survey.Functions {
		require.Equal(t, 1, in[f.Address.String()], "%s", f.Address)
	}
	require.Len(t, in, len(survey.Functions))
}

// groupsKeep: two endpoints share a group in the machine if they do on the host.
func groupsKeep(t require.TestingT, survey facts.Survey, m twin.Machine) {
	ix := facts.NewIndex(&survey)
	at := map[*twin.Part]int{}
	first := map[int]*twin.Part{}
	for p, of := range m.Groups() {
		require.True(t, m.IOMMU)
		if p.Of == nil || p.Kind.Port() {
			continue
		}
		f := ix.Function(*p.Of)
		if f.Group == nil || p.Kind == twin.HostBridge && slices.Contains(said(m, "group"), p.Of.String()) {
			continue
		}
		if other, seen := at[of]; seen {
			require.Equal(t, other, *f.Group, "%s shares its group with another", f.Address)
		}
		if other, seen := first[*f.Group]; seen {
			require.Same(t, other, of, "%s is apart from its group", f.Address)
		}
		at[of], first[*f.Group] = *f.Group, of
	}
	if m.IOMMU {
		whole(t, survey, m)
	}
}

// whole: of a group that is in the machine every endpoint is, and is held as there.
func whole(t require.TestingT, survey facts.Survey, m twin.Machine) {
	ix := facts.NewIndex(&survey)
	missing := said(m, "function")
	m.Each(func(p *twin.Part) {
		if p.Of == nil || p.Kind.Port() {
			return
		}
		f := ix.Function(*p.Of)
		if f.Group != nil {
			for _, other := range ix.Group(*f.Group) {
				require.False(t, other.HeaderType == 0 && other.Parent == nil && slices.Contains(missing, other.Address.String()), "%s lacks %s of its group", f.Address, other.Address)
			}
		}
		if p.Kind == twin.HostBridge {
			return // QEMU's has no driver; nothing is lent with one
		}
		free := f.Driver == "" || f.OnVFIO() || f.Driver == "pci-stub"
		require.Equal(t, free && f.Gap("driver") == nil, p.Held != twin.ByDriver, "%s", f.Address)
	})
}

// buildable: no two parts are at one place, and each place is one that QEMU has.
func buildable(t require.TestingT, m twin.Machine) {
	addresses := map[facts.Address]bool{}
	for _, p := range m.Places {
		require.False(t, addresses[p.To], "%s is given twice", p.To)
		addresses[p.To] = true
	}
	require.LessOrEqual(t, m.MemoryBytes, uint64(3<<30))
	require.LessOrEqual(t, m.Buses(), 256)
	seen := map[twin.Kind]int{}
	for i, r := range m.Roots {
		require.Equal(t, i == 0, r.Bus == 0)
		onBus(t, r.Parts, "")
	}
	m.Each(func(p *twin.Part) { seen[p.Kind]++ })
	for _, kind := range []twin.Kind{twin.HostBridge, twin.ISABridge, twin.ChipsetSATA, twin.SMBus, twin.Channel} {
		require.Equal(t, 1, seen[kind], kind)
	}
	require.Equal(t, len(m.Roots)-1, seen[twin.ExtraRoot])
}

func onBus(t require.TestingT, parts []twin.Part, above twin.Kind) {
	places := map[[2]uint8]bool{}
	for _, p := range parts {
		place := [2]uint8{p.Slot, p.Function}
		require.False(t, places[place], "two parts at %v", place)
		places[place] = true
		require.Less(t, p.Slot, uint8(32))
		require.Less(t, p.Function, uint8(8))
		require.Equal(t, above == twin.Upstream, p.Kind == twin.Downstream)
		switch above {
		case twin.RootPort, twin.Downstream:
			require.Zero(t, p.Slot)
		case twin.Conventional:
			require.NotZero(t, p.Slot)
			require.False(t, p.Kind.Port())
		}
		require.True(t, p.Kind.Port() || len(p.Below) == 0, p.Kind)
		onBus(t, p.Below, p.Kind)
	}
	for place := range places {
		require.True(t, places[[2]uint8{place[0], 0}], "nobody finds %v", place)
	}
}

// drivesAreSound: what a survey says of drives cannot be a path, too large, or
// where another one is.
func drivesAreSound(t require.TestingT, m twin.Machine) {
	files := map[string]bool{}
	m.Each(func(p *twin.Part) {
		if p.Kind == twin.NVMe {
			require.Regexp(t, `^[ -~]{1,20}$`, p.Serial)
		}
		for _, d := range p.Disks {
			require.Regexp(t, `^drive-[0-9a-f.-]+\.img$`, d.File)
			require.False(t, files[d.File])
			files[d.File] = true
			require.LessOrEqual(t, d.SizeBytes, uint64(8<<40))
			require.Contains(t, []uint64{512, 4096}, d.SectorBytes)
			require.Zero(t, d.SizeBytes%d.SectorBytes)
			if d.Table == nil {
				continue
			}
			end := uint64(1)
			entries := slices.SortedFunc(slices.Values(d.Table.Partitions), func(a, b twin.Partition) int { return int(int64(a.StartBytes) - int64(b.StartBytes)) })
			for _, e := range entries {
				require.GreaterOrEqual(t, e.StartBytes, end)
				end = e.StartBytes + e.SizeBytes
				require.Less(t, end, d.SizeBytes)
				require.Less(t, len(e.Name), 36*4)
				require.Less(t, strings.IndexFunc(e.Name, func(r rune) bool { return r < ' ' }), 0)
			}
		}
	})
}
