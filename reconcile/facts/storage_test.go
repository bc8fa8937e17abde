package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// Each case gives two names that mean one thing, or do not.
func TestSameThingByOtherNames(t *testing.T) {
	for name, c := range map[string]struct {
		make func(*invented.Builder)
		a, b string
		same bool
	}{
		"a file and itself": {func(*invented.Builder) {}, "/srv/a", "/srv/./b/../a", true},
		"two files":         {func(*invented.Builder) {}, "/srv/a", "/srv/b", false},
		"a link": {func(b *invented.Builder) {
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/link", Resolved: "/srv/a"})
		}, "/link", "/srv/a", true},
		"a bind mount": {func(b *invented.Builder) {
			root := b.Survey.Mounts[0]
			root.Root, root.Path = "/srv", "/mnt"
			b.Survey.Mounts = append(b.Survey.Mounts, root)
		}, "/mnt/a", "/srv/a", true},
		"two names of a partition": {func(b *invented.Builder) {
			b.NVMe("RL-4410-0073", "start")
			b.Block("nvme0n1p1").Links = []string{"disk/by-partuuid/x"}
		}, "/dev/disk/by-partuuid/x", "/dev/nvme0n1p1", true},
		"a link to a device": {func(b *invented.Builder) {
			b.NVMe("RL-4410-0073", "start")
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/disk", Resolved: "/dev/nvme0n1p1"})
		}, "/srv/disk", "/dev/nvme0n1p1", true},
		"a drive and its partition": {func(b *invented.Builder) { b.NVMe("RL-4410-0073", "start") }, "/dev/nvme0n1", "/dev/nvme0n1p1", false},
		"two partitions whose numbers are not known": {func(b *invented.Builder) {
			b.NVMe("RL-4410-0073", "start", "shelf")
			b.Block("nvme0n1p1").Devno, b.Block("nvme0n1p2").Devno = facts.Devno{}, facts.Devno{}
		}, "/dev/nvme0n1p1", "/dev/nvme0n1p2", false},
		"the same name in two filesystems": {func(b *invented.Builder) {
			b.NVMe("RL-4410-0073", "start")
			b.Mount("nvme0n1p1", "/mnt")
		}, "/mnt/a", "/a", false},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			c.make(b)
			ix := facts.NewIndex(&b.Survey)
			assert.Equal(t, c.same, ix.Same(c.a) == ix.Same(c.b), "%s, %s", ix.Same(c.a), ix.Same(c.b))
		})
	}
}

func TestStorageTellsWhatItLiesOn(t *testing.T) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount(b.Mapper("vg-lv", "nvme0n1p2"), "/srv/shelf")
	b.Survey.Paths = []facts.Path{{Named: "/srv/shelf/a.qcow2", Backing: "/srv/base.qcow2"}}
	b.Survey.Libvirt.Pools = []facts.Pool{{Name: "shelf", Kind: "dir", Target: "/srv/shelf"}}
	list := facts.NewIndex(&b.Survey).Storage(&facts.Definition{Disks: []facts.Disk{
		{Target: "vda", Kind: "volume", Pool: "shelf", Volume: "a.qcow2"},
		{Target: "vdb", Kind: "volume", Pool: "none", Volume: "a.qcow2"},
		{Target: "vdc", Kind: "dir", Source: "/srv/shelf"},
		{Target: "vdd", Kind: "network", Source: "nbd:scans"},
	}})
	if assert.Len(t, list, 2) {
		assert.True(t, list[0].Writes)
		assert.Equal(t, []string{"file 253:4 /a.qcow2", "device 253:4", "device 1000:2", "device 1000:0", "function 0000:01:00.0"}, list[0].On)
		assert.False(t, list[1].Writes, "the image that it is based on is read")
		assert.Equal(t, []string{"file 254:0 /srv/base.qcow2", "device 254:0"}, list[1].On)
	}
}

func TestHostUsesOfWhatAGuestNames(t *testing.T) {
	for name, c := range map[string]struct {
		make  func(*invented.Builder)
		named string
		want  []string
	}{
		"nothing":   {func(*invented.Builder) {}, "/dev/nvme0n1p1", nil},
		"a mount":   {func(b *invented.Builder) { b.Mount("nvme0n1p1", "/mnt") }, "/dev/nvme0n1p1", []string{"nvme0n1p1 (start) > mount /mnt"}},
		"a sibling": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/mnt") }, "/dev/nvme0n1p1", nil},
		"a partition of the drive": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/mnt") }, "/dev/nvme0n1",
			[]string{"nvme0n1 > nvme0n1p2 (shelf) > mount /mnt"}},
		"the drive as a whole": {func(b *invented.Builder) { b.Mapper("mpath", "nvme0n1") }, "/dev/nvme0n1p1",
			[]string{"nvme0n1 > holder dm-4 (mpath)"}},
		"another volume of the group": {func(b *invented.Builder) {
			b.Mapper("vg-a", "nvme0n1p1")
			b.Mount(b.Mapper("vg-b", "nvme0n1p1"), "/mnt")
		}, "/dev/mapper/vg-a", nil},
		"the member of an array": {func(b *invented.Builder) { b.Mapper("md", "nvme0n1p1") }, "/dev/nvme0n1p1",
			[]string{"nvme0n1p1 (start) > holder dm-4 (md)"}},
		"swap": {func(b *invented.Builder) { b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}} }, "/dev/nvme0n1p1",
			[]string{"nvme0n1p1 (start) > swap /dev/nvme0n1p1"}},
		"a swap file": {func(b *invented.Builder) { b.Survey.Swaps = []facts.Swap{{Path: "/swap", File: true}} }, "/swap",
			[]string{"/swap > swap /swap"}},
		"a loop device on the file": {func(b *invented.Builder) {
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/a.img"})
		}, "/srv/a.img", []string{"/srv/a.img > holder loop0"}},
		"a guest": {func(b *invented.Builder) {
			b.Guest("other", "/dev/nvme0n1p1")
			b.Run("other")
		}, "/dev/nvme0n1p1", nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.NVMe("RL-4410-0073", "start", "shelf")
			c.make(b)
			var told []string
			for _, use := range facts.NewIndex(&b.Survey).HostUses(c.named) {
				told = append(told, use.String())
			}
			assert.Equal(t, c.want, told)
		})
	}
}
