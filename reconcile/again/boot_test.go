package again_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/again"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// A filesystem is mounted again from the device that holds it now.
func TestBootMounts(t *testing.T) {
	host := func(first, second string) *facts.Index {
		b := invented.NewBuilder()
		b.NVMe("RL-1", first)
		b.NVMe("RL-2", second)
		for i := range b.Survey.Blocks {
			if p := b.Survey.Blocks[i].Partition; p != nil {
				b.Survey.Blocks[i].Signature = &facts.Signature{Kind: "xfs", Usage: "filesystem", UUID: "uuid-of-" + p.Name}
			}
		}
		return facts.NewIndex(&b.Survey)
	}
	made, now := host("shelf", "attic"), host("attic", "shelf")
	mount := facts.Mount{Devno: made.Block("nvme0n1p1").Devno, Root: "/", Path: "/srv/shelf", Kind: "xfs", Source: "/dev/nvme0n1p1", Options: []string{"rw"}}
	plain := facts.Mount{Path: "/run", Kind: "tmpfs"}
	made.Survey.Mounts = []facts.Mount{mount, plain}
	want := mount
	want.Devno, want.Source = now.Block("nvme1n1p1").Devno, "/dev/nvme1n1p1"
	assert.Equal(t, []facts.Mount{want, plain}, again.BootMounts(made, now))
	assert.Equal(t, []facts.Mount{mount, plain}, made.Survey.Mounts)
}
