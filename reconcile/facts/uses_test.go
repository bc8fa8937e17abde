package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// Each case puts one kind of use on a drive; the path from controller to user
// is what an operator is told.
func TestUsesAtAnyDepth(t *testing.T) {
	cases := map[string]struct {
		make func(*invented.Builder)
		want []string
	}{
		"nothing": {func(b *invented.Builder) {}, nil},
		"a mount": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/srv/shelf") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"}},
		"the host's root": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/usr") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > host system /usr"}},
		"LVM on a partition, mounted": {func(b *invented.Builder) { b.Mount(b.Mapper("vg-lv", "nvme0n1p2"), "/data") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (vg-lv) > mount /data"}},
		"LVM on the whole drive, not mounted": {func(b *invented.Builder) { b.Mapper("vg-lv", "nvme0n1") },
			[]string{"0000:01:00.0 > nvme0n1 > holder dm-4 (vg-lv)"}},
		"encryption below LVM": {func(b *invented.Builder) { b.Mount(b.Mapper("vg-lv", b.Mapper("luks", "nvme0n1p2")), "/data") },
			[]string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (luks) > dm-5 (vg-lv) > mount /data"}},
		// /proc/swaps says /dev/dm-1 where mountinfo says /dev/mapper/vg-lv
		// (measured with Linux 6.1).
		"swap on LVM": {func(b *invented.Builder) {
			b.Survey.Swaps = append(b.Survey.Swaps, facts.Swap{Path: "/dev/" + b.Mapper("vg-swap", "nvme0n1p2")})
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > dm-4 (vg-swap) > swap /dev/dm-4"}},
		"a swap file": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Survey.Swaps = append(b.Survey.Swaps, facts.Swap{Path: "/srv/shelf/swap", File: true})
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/swap > swap /srv/shelf/swap"}},
		"a loop device on a file, mounted": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/shelf/disc.img", Signature: &facts.Signature{Kind: "ext4"}})
			b.Mount("loop0", "/mnt/disc")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/disc.img > loop0 > mount /mnt/disc"}},
		"a running guest's image": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/catalogue.qcow2 > guest catalogue"}},
		"the image that a running guest's image is based on": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Guest("catalogue", "/srv/images/catalogue.qcow2")
			b.Survey.Paths[0].Backing = "/srv/shelf/base.qcow2"
			b.Run("catalogue")
		}, []string{
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf",
			"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > /srv/shelf/base.qcow2 > guest catalogue"}},
		"a guest with the partition as its disk, by a link": {func(b *invented.Builder) {
			b.Block("nvme0n1p2").Links = []string{"disk/by-partlabel/shelf"}
			b.Guest("catalogue", "/dev/disk/by-partlabel/shelf")
			b.Run("catalogue")
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > guest catalogue"}},
		"a pool": {func(b *invented.Builder) {
			b.Survey.Libvirt.Pools = []facts.Pool{{Name: "raw", Kind: "disk", Active: true, Sources: []string{"/dev/nvme0n1"}}}
		}, []string{"0000:01:00.0 > nvme0n1 > pool raw"}},
		// The kernel does not show what a ZFS pool is made of.
		"a ZFS member": {func(b *invented.Builder) {
			b.Survey.Machine.ZFS = true
			b.Block("nvme0n1p2").Signature = &facts.Signature{Kind: "zfs_member", Label: "tank"}
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > unknown ZFS pool tank, which may be imported"}},
		"btrfs over two devices": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 40}, Devices: []string{"vda", "nvme0n1p2"}, Path: "/data", Kind: "btrfs"})
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /data"}},
		"a fact that could not be read": {func(b *invented.Builder) {
			b.Block("nvme0n1p2").Gaps = []facts.Gap{{Fact: "holders", Path: "/sys/block/nvme0n1/nvme0n1p2/holders", Reason: "permission denied"}}
		}, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > unknown holders not readable at /sys/block/nvme0n1/nvme0n1p2/holders: permission denied"}},
		"a holder of which nothing is known": {func(b *invented.Builder) { b.Block("nvme0n1").Holders = []string{"bcache0"} },
			[]string{"0000:01:00.0 > nvme0n1 > unknown bcache0, of which nothing else is known"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073", "start", "shelf")
			c.make(b)
			var got []string
			for _, use := range facts.NewIndex(&b.Survey).LiveUses(at) {
				got = append(got, use.String())
			}
			assert.Equal(t, c.want, got)
		})
	}
}

func TestGuestThatIsOffIsNoLiveUse(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	b.Mount("nvme0n1p1", "/srv/shelf")
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	ix := facts.NewIndex(&b.Survey)
	assert.Len(t, ix.Uses(at), 2)
	assert.Len(t, ix.LiveUses(at), 1)
}
