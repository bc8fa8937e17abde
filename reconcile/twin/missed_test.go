package twin_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// The captured hosts are their own twins, as a real kernel showed them; what is
// otherwise in one is told.
func TestMissed(t *testing.T) {
	for name, survey := range captured(t) {
		m := twin.Of(survey)
		assert.Empty(t, m.Missed(facts.NewIndex(&survey)), name)
	}
	for name, c := range map[string]struct {
		change func(*facts.Survey)
		want   string
	}{
		"a function": {func(s *facts.Survey) { s.Functions = s.Functions[:len(s.Functions)-1] }, "is not there"},
		"a driver":   {func(s *facts.Survey) { function(s, "RL-4410-0073").Driver = "vfio-pci" }, "has driver vfio-pci, not one of the host's"},
		"no driver":  {func(s *facts.Survey) { function(s, "RL-4410-0073").Driver = "" }, "has driver none"},
		"a serial":   {func(s *facts.Survey) { function(s, "RL-4410-0073").NVMe.Serial = "X" }, "is not the drive with serial RL-4410-0073"},
		"a namespace": {func(s *facts.Survey) {
			function(s, "RL-4410-0073").NVMe.Namespaces = nil
		}, "has no namespace 1"},
		"a size":      {func(s *facts.Survey) { block(s, "nvme0n1").SizeBytes++ }, "nvme0n1 has"},
		"a partition": {func(s *facts.Survey) { block(s, "nvme0n1p2").Partition.Name = "x" }, "nvme0n1p2 is not the partition"},
		"a number":    {func(s *facts.Survey) { block(s, "nvme0n1p2").Partition.Number = 7 }, "nvme0n1 has no partition 2"},
		"a content":   {func(s *facts.Survey) { block(s, "nvme0n1p2").Signature.UUID = "" }, "nvme0n1p2 does not hold xfs shelf"},
		"a mount":     {func(s *facts.Survey) { s.Mounts = nil }, "nothing is mounted at /srv/shelf"},
		"a group": {func(s *facts.Survey) {
			other := *function(s, "SYS-0001").Group
			function(s, "RL-4410-0073").Group = &other
		}, "shares its IOMMU group with others"},
		"no group": {func(s *facts.Survey) { function(s, "RL-4410-0073").Group = nil }, "is in no IOMMU group"},
		"a guest":  {func(s *facts.Survey) { s.Libvirt.Guests = nil }, "guest grading is not there"},
	} {
		t.Run(name, func(t *testing.T) {
			m := twin.Of(larch(t))
			inside := larch(t)
			c.change(&inside)
			missed := m.Missed(facts.NewIndex(&inside))
			require.NotEmpty(t, missed)
			assert.Contains(t, missed[0]+"\n"+missed[len(missed)-1], c.want)
		})
	}
}

// larch gives its survey, with a guest.
func larch(t *testing.T) facts.Survey {
	tree, err := sysfs.Open("../../testdata/hosts/larch.txtar")
	require.NoError(t, err)
	survey, err := tree.Survey(t.Context(), nil)
	require.NoError(t, err)
	survey.Libvirt.Guests = []facts.Guest{{Name: "grading", Kept: &facts.Definition{XML: "<domain><name>grading</name><devices/></domain>"}}}
	return survey
}

func function(s *facts.Survey, serial string) *facts.Function {
	for i := range s.Functions {
		if f := &s.Functions[i]; f.NVMe != nil && f.NVMe.Serial == serial {
			return f
		}
	}
	panic("a mistake in a test's own input: " + serial)
}

func block(s *facts.Survey, name string) *facts.Block {
	for i := range s.Blocks {
		if s.Blocks[i].Name == name {
			return &s.Blocks[i]
		}
	}
	panic("a mistake in a test's own input: " + name)
}
