package guard_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// nested is a bench whose reel has three filesystems in each other; the layout
// states the innermost first.
func nested(t *testing.T) *bench {
	b := &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{Number: 2, Condition: facts.Clean}}
	b.reel = b.NVMe("RL-4410-0073", "deep", "shelf", "inner")
	for _, at := range [][2]string{{"nvme0n1p2", "/srv/shelf"}, {"nvme0n1p3", "/srv/shelf/inner"}, {"nvme0n1p1", "/srv/shelf/inner/deep"}} {
		b.Mount(at[0], at[1])
	}
	layout := invented.Layout([]spec.Controller{invented.Controller("reel", "RL-4410-0073", "deep", "/srv/shelf/inner/deep", "shelf", "/srv/shelf", "inner", "/srv/shelf/inner")},
		[]spec.Guest{invented.Guest("grading", "reel")})
	b.Guest("grading", "", b.Identity("reel", b.reel))
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	require.False(t, assess.Stops(assess.Assess(c)), "%+v", assess.Assess(c))
	b.rules = order.CompileRules(c)
	b.borrower("grading", b.reel)
	return b
}

func TestNestedMountsLeaveInnermostFirst(t *testing.T) {
	deepest := []string{"/srv/shelf/inner/deep", "/srv/shelf/inner", "/srv/shelf"}
	stray := func(b *bench, kind, place string) {
		b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 99}, Kind: kind, Source: kind, Path: place})
	}
	for name, c := range map[string]struct {
		change  func(*bench)
		refuses string
		unmount []string
	}{
		"all of the rules":         {func(b *bench) {}, "", deepest},
		"one of them twice":        {func(b *bench) { b.Mount("nvme0n1p2", "/srv/shelf") }, "", append(deepest, "/srv/shelf")},
		"one that they do not say": {func(b *bench) { stray(b, "tmpfs", "/srv/shelf/inner/x") }, "mount /srv/shelf/inner/x", nil},
		"another over one":         {func(b *bench) { stray(b, "tmpfs", "/srv/shelf/inner") }, "mount /srv/shelf/inner", nil},
		"another drive in one":     {func(b *bench) { b.NVMe("RL-4410-0088", "attic"); b.Mount("nvme1n1p1", "/srv/shelf/attic") }, "mount /srv/shelf/attic", nil},
		"an overlay of one": {func(b *bench) {
			b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 99}, Kind: "overlay", Path: "/merged", SuperOptions: []string{"lowerdir=/srv/shelf/inner/l"}})
		}, "> /srv/shelf/inner > /srv/shelf/inner/l > mount /merged", nil},
		"one that another namespace keeps": {func(b *bench) { b.Survey.Mounts[1].Elsewhere = "sh (pid 77)" }, "which has it mounted at /srv/shelf in another mount namespace", nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := nested(t)
			c.change(b)
			verdict := guard.Before(b.rules, b.index(), b.call)
			assert.Equal(t, verdict.Unmount, sameBefore(t, b.rules, b.index().Survey, b.call).Unmount)
			if c.refuses == "" {
				assert.Empty(t, verdict.Refuse)
			}
			assert.Contains(t, verdict.Refuse, c.refuses)
			assert.Equal(t, c.unmount, verdict.Unmount)
		})
	}
}

func TestNestedMountsComeOutermostFirst(t *testing.T) {
	for name, c := range map[string]struct {
		change              func(*bench)
		mounts, wait, wrong string
	}{
		"all": {func(b *bench) {}, "/srv/shelf /srv/shelf/inner /srv/shelf/inner/deep", "", ""},
		"the outermost is late": {func(b *bench) { b.Block("nvme0n1p2").Signature = nil },
			"", "partition shelf of controller reel", "it belongs into /srv/shelf, which is not mounted"},
		"the outermost was left dirty": {func(b *bench) { b.shelf.Condition = facts.Dirty },
			"", "", "it belongs into /srv/shelf, which is not mounted"},
		"another drive is where the outermost belongs": {func(b *bench) { b.NVMe("RL-4410-0088", "attic"); b.Mount("nvme1n1p1", "/srv/shelf") },
			"", "", "it belongs into /srv/shelf, which is not mounted"},
		"the middle one is there, without the outermost": {func(b *bench) { b.Mount("nvme0n1p3", "/srv/shelf/inner") },
			"", "", "/srv/shelf/inner is mounted below"},
		"the outermost is there": {func(b *bench) { b.Mount("nvme0n1p2", "/srv/shelf") }, "/srv/shelf/inner /srv/shelf/inner/deep", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := nested(t)
			b.unmounted()
			c.change(b)
			seen := b.Survey
			seen.Libvirt, seen.Paths = facts.Virtualization{}, nil
			seen.Contents = []facts.Content{{Of: "nvme0n1", Volumes: []facts.Volume{{Number: 1, Condition: facts.Clean}, *b.shelf, {Number: 3, Condition: facts.Clean}}}}
			made := guard.After(b.rules, facts.NewIndex(&seen), b.call)
			var mounts []string
			for _, m := range made.Mount {
				mounts = append(mounts, m.Path)
			}
			assert.Equal(t, c.mounts, strings.Join(mounts, " "))
			assert.Contains(t, strings.Join(made.Waits(), "\n"), c.wait)
			assert.Contains(t, strings.Join(made.Words(), "\n"), c.wrong)
		})
	}
}
