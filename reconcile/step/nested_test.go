package step_test

import (
	"context"
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

// What the guard has mounted of a drive since goes before what was written to it is
// undone; what else uses the drive, or a mount, stands against that.
func TestMountsGoBeforeTheDrive(t *testing.T) {
	inner := shelf
	inner.Partition, inner.Path = "inner", "/srv/shelf/inner"
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		says   string // why it may not be undone
		gone   []string
	}{
		"not mounted":           {func(b *invented.Builder) { b.Survey.Mounts = nil }, "", nil},
		"mounted":               {func(b *invented.Builder) { b.Survey.Mounts = b.Survey.Mounts[:len(b.Survey.Mounts)-1] }, "", []string{"/srv/shelf"}},
		"one in the other":      {func(*invented.Builder) {}, "", []string{"/srv/shelf/inner", "/srv/shelf"}},
		"mounted elsewhere too": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/mnt/x") }, "mount /mnt/x", nil},
		"another in it": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 99}, Kind: "tmpfs", Source: "tmpfs", Path: "/srv/shelf/x"})
		}, "tmpfs is mounted at /srv/shelf/x", nil},
		"another over the inner": {func(b *invented.Builder) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 99}, Kind: "tmpfs", Source: "tmpfs", Path: "/srv/shelf/inner"})
		}, "/srv/shelf/inner", nil},
		"it twice at its place":   {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/srv/shelf") }, "is mounted at /srv/shelf", nil},
		"a guest that runs on it": {func(b *invented.Builder) { b.Guest("other", "/srv/shelf/other.qcow2"); b.Run("other") }, "guest other", nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.NVMe("RL-4410-0073", "start", "shelf", "inner")
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Mount("nvme0n1p3", "/srv/shelf/inner")
			c.change(b)
			survey := b.Survey.Answered()
			s := &step.MakeFilesystem{Target: step.Target{Controller: b.Identity("reel", at), Keep: "k", Mounts: []step.Filesystem{shelf, inner}}}
			against := s.MayUndo(facts.NewIndex(&survey))
			if c.says != "" {
				require.ErrorContains(t, against, c.says)
				return
			}
			require.NoError(t, against)
			var done deeds
			require.NoError(t, s.Undo(t.Context(), step.Ports{Survey: fixed(survey), Mounts: &done, Drives: &done}))
			assert.Equal(t, append(c.gone, "cleared"), done.list)
		})
	}
	require.ErrorContains(t, step.Target{Keep: "k", Mounts: []step.Filesystem{{FSType: "fuse.sshfs", Path: "/srv"}}}.Sound(), "no kind of filesystem")
}

type fixed facts.Survey

func (f fixed) Survey(context.Context) (facts.Survey, error) { return facts.Survey(f), nil }

// deeds notes what is done.
type deeds struct {
	step.Mounts
	step.Drives
	list []string
}

func (d *deeds) Unmount(_ context.Context, path string) error {
	d.list = append(d.list, path)
	return nil
}

func (d *deeds) ClearFilesystem(context.Context, facts.Drive, facts.Entry, facts.NewFilesystem) error {
	d.list = append(d.list, "cleared")
	return nil
}
