package twin_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// What is built on drives is built again where all below it is there, each thing
// after what it is built on; all else is told.
func TestVolumes(t *testing.T) {
	b := invented.NewBuilder()
	for _, serial := range []string{"A", "B"} {
		b.NVMe(serial, "one", "two", "three")
	}
	put := func(kind string, on ...string) {
		for _, name := range on {
			b.Block(name).Signature = &facts.Signature{Kind: kind}
		}
	}
	built := func(name string, on []string, change func(*facts.Block)) {
		for _, lower := range on {
			b.Block(lower).Holders = append(b.Block(lower).Holders, name)
		}
		block := facts.Block{Name: name, Devno: facts.Devno{Major: 253, Minor: uint32(len(b.Survey.Blocks))}, SizeBytes: 512 << 20, Signature: &facts.Signature{Kind: "ext4", Label: name}}
		change(&block)
		b.Survey.Blocks = append(b.Survey.Blocks, block)
	}
	mapped := func(name, uuid string) func(*facts.Block) {
		return func(block *facts.Block) { block.Mapper = &facts.Mapper{Name: name, UUID: uuid} }
	}
	put("LVM2_member", "nvme0n1p1", "nvme1n1p1")
	put("linux_raid_member", "nvme0n1p2", "nvme1n1p2")
	put("crypto_LUKS", "nvme0n1p3")
	put("swap", "nvme1n1p3")
	built("dm-0", []string{"nvme0n1p1", "nvme1n1p1"}, mapped("film--vault-reels", "LVM-abc"))
	built("dm-3", nil, mapped("sealed", "CRYPT-LUKS2-abc"))
	built("md127", []string{"nvme0n1p2", "nvme1n1p2"}, func(block *facts.Block) {
		block.Array, block.Signature, block.Holders = "raid1", &facts.Signature{Kind: "crypto_LUKS"}, []string{"dm-3"}
	})
	built("dm-4", []string{"nvme0n1p3"}, mapped("paths", "mpath-abc"))
	built("loop0", nil, func(block *facts.Block) { block.BackingFile = "/srv/images/a.img" })
	built("loop1", nil, func(block *facts.Block) { block.BackingFile = "/usr/bin/env" })
	b.Mount("dm-0", "/srv/reels")
	b.Mount("loop1", "/srv/other")
	b.Mount("dm-3", "/var/lib/libvirt")
	b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme1n1p3"}, {Path: "/swap", File: true}}
	m := twin.Of(b.Survey)
	assert.Equal(t, []twin.Volume{
		{By: twin.ByLVM, Of: "dm-0", Name: "reels", Group: "film-vault", On: []string{"nvme0n1p1", "nvme1n1p1"}, SizeBytes: 512 << 20, Holds: &facts.Signature{Kind: "ext4", Label: "dm-0"}},
		{By: twin.ByMD, Of: "md127", Name: "md127", Level: "raid1", On: []string{"nvme0n1p2", "nvme1n1p2"}, SizeBytes: 512 << 20, Holds: &facts.Signature{Kind: "crypto_LUKS"}},
		{By: twin.ByLoop, Of: "loop0", File: "/srv/images/a.img", SizeBytes: 512 << 20, Holds: &facts.Signature{Kind: "ext4", Label: "loop0"}},
		{By: twin.ByLUKS, Of: "dm-3", Name: "sealed", On: []string{"md127"}, SizeBytes: 512 << 20, Holds: &facts.Signature{Kind: "ext4", Label: "dm-3"}},
	}, m.Volumes)
	assert.Equal(t, []twin.Mount{{Of: "dm-0", Path: "/srv/reels", Kind: "ext4", Options: []string{"rw", "nosuid", "nodev", "noatime"}}}, m.Mounts)
	assert.Equal(t, []string{"nvme1n1p3"}, m.Swaps)
	assert.Equal(t, []string{"dm-4", "loop1", "vda"}, said(m, "block"))
	assert.Equal(t, []string{"/", "/srv/other", "/var/lib/libvirt"}, said(m, "mount"))
	assert.Equal(t, []string{"/swap"}, said(m, "swap"))
}
