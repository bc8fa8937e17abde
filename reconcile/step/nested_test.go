package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

// What is in a mount, over it or made of it stands against unmounting it, and
// what is below a place against mounting there.
func TestMountsOnAMount(t *testing.T) {
	for name, c := range map[string]struct {
		mount facts.Mount
		says  string
	}{
		"in it":          {facts.Mount{Kind: "tmpfs", Source: "tmpfs", Path: "/srv/shelf/x"}, "tmpfs is mounted at /srv/shelf/x"},
		"over it":        {facts.Mount{Kind: "tmpfs", Source: "tmpfs", Path: "/srv/shelf"}, "is mounted at /srv/shelf"},
		"made of it":     {facts.Mount{Kind: "overlay", Source: "overlay", Path: "/merged", SuperOptions: []string{"lowerdir=/srv/shelf/a"}}, "mount /merged"},
		"beside it":      {facts.Mount{Kind: "tmpfs", Source: "tmpfs", Path: "/srv/shelf-2"}, ""},
		"made of others": {facts.Mount{Kind: "overlay", Source: "overlay", Path: "/merged", SuperOptions: []string{"lowerdir=/x"}}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := host()
			c.mount.Devno.Minor = 99
			b.Survey.Mounts = append(b.Survey.Mounts, c.mount)
			for what, err := range map[string]error{
				"unmount":       (&step.Unmount{Filesystem: shelf}).Ready(facts.NewIndex(&b.Survey)),
				"undo of mount": (&step.Mount{Filesystem: shelf}).MayUndo(facts.NewIndex(&b.Survey)),
			} {
				if c.says == "" {
					assert.NoError(t, err, what)
				} else {
					assert.ErrorContains(t, err, c.says, what)
				}
			}
		})
	}
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf", "inner")
	b.Mount("nvme0n1p3", "/srv/shelf/inner")
	ix := facts.NewIndex(&b.Survey)
	require.ErrorContains(t, (&step.Mount{Filesystem: shelf}).Ready(ix), "/srv/shelf/inner is mounted below")
	require.ErrorContains(t, (&step.Unmount{Filesystem: shelf}).MayUndo(ix), "/srv/shelf/inner is mounted below")
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.Guest("other", "/dev/nvme0n1p2")
	require.NoError(t, (&step.Mount{Filesystem: shelf}).Ready(facts.NewIndex(&b.Survey)), "it is off")
	b.Run("other")
	require.ErrorContains(t, (&step.Mount{Filesystem: shelf}).Ready(facts.NewIndex(&b.Survey)), "it is in use: nvme0n1p2 (shelf) > guest other")
	inner := shelf
	inner.Partition, inner.Path = "inner", "/srv/shelf/other"
	require.ErrorContains(t, (&step.Mount{Filesystem: inner, In: "/srv/shelf"}).Ready(ix), "nothing is mounted at /srv/shelf")
}
