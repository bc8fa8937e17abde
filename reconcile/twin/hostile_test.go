package twin_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// hostile are texts that would act somewhere between a survey and a machine.
var hostile = []string{"", "a,b=c", "a,,drive=/etc/passwd", "x init=/bin/sh", "\x00", "a\nb", "$(reboot)", "'; reboot; '", "../../x", "-a", "é\u202e", strings.Repeat("x", 300), " a "}

// What drives and files say of themselves is bounded, or left out and told.
func TestHostileTexts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		survey, _ := invented.Random(t)
		text := func(what string) string { return rapid.SampledFrom(hostile).Draw(t, what) }
		size := func(what string) uint64 {
			return rapid.SampledFrom([]uint64{0, 1, 511, 512, 4096, 64 << 20, 2 << 30, 1 << 63, ^uint64(0)}).Draw(t, what)
		}
		for i := range survey.Functions {
			if n := survey.Functions[i].NVMe; n != nil {
				n.Serial, n.Model = text("serial"), text("model")
				n.Namespaces[0].SizeBytes, n.Namespaces[0].SectorBytes = size("size"), size("sector")
				n.Namespaces[0].ID = rapid.IntRange(-1, 300).Draw(t, "namespace")
			}
		}
		for i := range survey.Blocks {
			b := &survey.Blocks[i]
			b.SizeBytes = size("size")
			if b.Signature != nil {
				b.Signature = &facts.Signature{Kind: rapid.SampledFrom([]string{"xfs", "vfat", "swap", "LVM2_member", "zfs_member", "a,b"}).Draw(t, "kind"), Label: text("label"), UUID: text("uuid")}
			}
			if b.Partition != nil {
				b.Partition = &facts.Partition{Number: b.Partition.Number, StartBytes: size("start"), Name: text("name"), ID: text("id"), Type: text("type")}
			}
			if b.Mapper != nil {
				b.Mapper.Name = text("mapper")
			}
		}
		for i := range survey.Mounts {
			survey.Mounts[i].Path = "/srv/" + text("path")
			survey.Mounts[i].Options = []string{text("option"), "rw"}
		}
		m := twin.Of(survey)
		holds(t, survey, m)
		bounded(t, m)
	})
}

// bounded: every text of the machine is one that programs take for what it is.
func bounded(t require.TestingT, m twin.Machine) {
	signature := func(s *facts.Signature) {
		if s != nil {
			assert.Contains(t, []string{"xfs", "vfat", "swap", "LVM2_member", "ext4"}, s.Kind)
			assert.LessOrEqual(t, len(s.Label), 16)
			assert.Regexp(t, `^[0-9A-Za-z-]*$`, s.UUID)
			assert.NotContains(t, s.Label, "\n")
			assert.NotContains(t, s.Label, "\x00")
		}
	}
	m.Each(func(p *twin.Part) {
		for _, d := range p.Disks {
			signature(d.Holds)
			if d.Table == nil {
				continue
			}
			assert.Regexp(t, `^[0-9a-f-]*$`, d.Table.ID)
			for _, e := range d.Table.Partitions {
				signature(e.Holds)
				assert.Regexp(t, `^[0-9a-f-]*$`, e.ID+e.Type)
			}
		}
	})
	for _, v := range m.Volumes {
		assert.Regexp(t, `^[A-Za-z0-9_+.][A-Za-z0-9_+.-]*$`, v.Group+v.Name)
	}
	for _, mount := range m.Mounts {
		assert.Regexp(t, `^/srv/[^\x00-\x1f]*$`, mount.Path)
		assert.NotContains(t, mount.Path, "..")
		assert.Subset(t, []string{"rw"}, mount.Options)
	}
}

func TestMemoryIsDealtOut(t *testing.T) {
	h := newTree()
	h.survey.Topology.Nodes = []facts.Node{{Number: 0, MemoryBytes: 96 << 30}, {Number: 1, MemoryBytes: 32 << 30}, {Number: 2}}
	h.survey.Machine.MemoryBytes, h.survey.Machine.CPUs = 128<<30, 64
	m := twin.Of(h.survey)
	assert.Equal(t, []twin.Node{{1983 << 20, 1}, {832 << 20, 1}, {257 << 20, 2}}, m.Nodes)
	assert.Equal(t, uint64(3<<30), m.MemoryBytes)
}
