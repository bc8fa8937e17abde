package twin_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// captured gives the survey of every captured host.
func captured(t *testing.T) map[string]facts.Survey {
	hosts := map[string]facts.Survey{}
	files, err := filepath.Glob("../../testdata/hosts/*.txtar")
	require.NoError(t, err)
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".txtar")
		if strings.HasSuffix(name, ".overlay") {
			continue
		}
		tree, err := sysfs.Open(file)
		require.NoError(t, err)
		survey, err := tree.Survey(t.Context(), nil)
		require.NoError(t, err)
		hosts[name] = survey
	}
	require.NotEmpty(t, hosts)
	return hosts
}

// The captured hosts ran in QEMU, so their twins are the same machines: every
// function keeps its address, and the groups that a real kernel made are the ones
// that are expected of it.
func TestTwinOfACapturedHostIsThatHost(t *testing.T) {
	for name, survey := range captured(t) {
		t.Run(name, func(t *testing.T) {
			m := twin.Of(survey)
			holds(t, survey, m)
			assert.Len(t, m.Places, len(survey.Functions))
			for _, p := range m.Places {
				assert.Equal(t, p.From, p.To)
			}
			ix := facts.NewIndex(&survey)
			groups := map[string]int{}
			for p, first := range m.Groups() {
				if p.Of == nil || ix.Function(*p.Of).Group == nil {
					continue
				}
				require.NotNil(t, first.Of)
				groups[p.Of.String()] = *ix.Function(*p.Of).Group
				assert.Equal(t, *ix.Function(*first.Of).Group, groups[p.Of.String()], "%s", p.Of)
			}
			assert.Len(t, groups, len(survey.Functions))
			assert.Empty(t, said(m, "function"))
			assert.Empty(t, said(m, "class"))
			assert.Equal(t, []string{"SYS-0001"}, own(&m))
		})
	}
}

// What is on larch's drives is made as udev saw it there.
func TestTwinOfLarchHoldsWhatItHolds(t *testing.T) {
	m := twin.Of(captured(t)["larch"])
	var reel *twin.Part
	m.Each(func(p *twin.Part) {
		if p.Serial == "RL-4410-0073" {
			reel = p
		}
	})
	require.NotNil(t, reel)
	require.Len(t, reel.Disks, 1)
	d := reel.Disks[0]
	assert.Equal(t, uint64(2<<30), d.SizeBytes)
	require.NotNil(t, d.Table)
	require.Len(t, d.Table.Partitions, 2)
	assert.Equal(t, "start", d.Table.Partitions[0].Name)
	assert.Equal(t, &facts.Signature{Kind: "vfat", Label: "start", UUID: "EEEA-7F01"}, d.Table.Partitions[0].Holds)
	assert.Equal(t, &facts.Signature{Kind: "xfs", Label: "shelf", UUID: "5d9655e5-37cf-48da-8cd1-fd1b2717ecf5"}, d.Table.Partitions[1].Holds)
	assert.Equal(t, uint64(135266304), d.Table.Partitions[1].StartBytes)
	assert.Equal(t, []twin.Mount{{Of: "nvme0n1p2", Path: "/srv/shelf", Kind: "xfs", Options: []string{"rw", "noatime"}}}, m.Mounts)
}

func TestTwinsOfRandomHosts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, _ := invented.Any(t)
		holds(t, survey, twin.Of(survey))
	})
}

// A host that is too large for one machine loses functions, and says which.
func TestTwinOfALargeHost(t *testing.T) {
	survey, _ := invented.Large(1)
	m := twin.Of(survey)
	holds(t, survey, m)
	assert.NotEmpty(t, said(m, "function"))
	assert.Greater(t, len(m.Places), 100)
}

// said gives of what a fact is told to be unlike.
func said(m twin.Machine, fact string) (of []string) {
	for _, u := range m.Unlike {
		if u.Fact == fact {
			of = append(of, u.Of...)
		}
	}
	return of
}

// own gives the serials of the drives that the machine runs from.
func own(m *twin.Machine) (serials []string) {
	m.Each(func(p *twin.Part) {
		if p.Own {
			serials = append(serials, p.Serial)
		}
	})
	return serials
}
