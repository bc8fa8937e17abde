package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// As mountinfo shows them: overlay as measured with Linux 6.18, the rest by the
// kernel's show_options and by mount(8) of each.
func TestStandsOn(t *testing.T) {
	for name, c := range map[string]struct {
		mount   facts.Mount
		paths   []string
		unclear string
	}{
		"overlay": {facts.Mount{Kind: "overlay", Source: "overlay", SuperOptions: []string{"rw", "lowerdir=/srv/shelf/a:/srv/b", `upperdir=/srv/shelf/u\054\040p`, "workdir=/srv/w", "redirect_dir=on"}},
			[]string{"/srv/shelf/a", "/srv/b", "/srv/shelf/u, p", "/srv/w"}, ""},
		"a colon in a layer's name":   {facts.Mount{Kind: "overlay", SuperOptions: []string{`lowerdir=/srv/l\134:1:/srv/b`}}, []string{"/srv/l:1", "/srv/b"}, ""},
		"a backslash in one":          {facts.Mount{Kind: "overlay", SuperOptions: []string{`lowerdir=/srv/l\134\134:/srv/b`}}, []string{`/srv/l\`, "/srv/b"}, ""},
		"a backslash at the end":      {facts.Mount{Kind: "overlay", SuperOptions: []string{`lowerdir=/a:/b\134`}}, []string{"/a", `/b\`}, ""},
		"layers for data only":        {facts.Mount{Kind: "overlay", SuperOptions: []string{"lowerdir=/srv/a::/srv/d1::/srv/d2"}}, []string{"/srv/a", "/srv/d1", "/srv/d2"}, ""},
		"layers of the new interface": {facts.Mount{Kind: "overlay", SuperOptions: []string{"lowerdir+=/srv/a:x", "datadir+=/srv/d"}}, []string{"/srv/a:x", "/srv/d"}, ""},
		"relative layers":             {facts.Mount{Kind: "overlay", SuperOptions: []string{"lowerdir=1/fs:2/fs", "upperdir=/srv/u"}}, []string{"/srv/u"}, "layer 2/fs"},
		"an overlay that shows none":  {facts.Mount{Kind: "overlay"}, nil, "layers that are not shown"},
		"a union that shows none":     {facts.Mount{Kind: "aufs", SuperOptions: []string{"si=1234"}}, nil, "layers that are not shown"},
		"ecryptfs":                    {facts.Mount{Kind: "ecryptfs", Source: "/srv/shelf/.Private"}, []string{"/srv/shelf/.Private"}, ""},
		"an image by FUSE":            {facts.Mount{Kind: "fuse.fuse2fs", Source: "/srv/shelf/disc.img"}, []string{"/srv/shelf/disc.img"}, ""},
		"several folders by FUSE":     {facts.Mount{Kind: "fuse.mergerfs", Source: "/srv/a:/srv/b"}, []string{"/srv/a:/srv/b", "/srv/a", "/srv/b"}, ""},
		"an option that nobody knows": {facts.Mount{Kind: "newfs", SuperOptions: []string{"store=/srv/shelf/x"}}, []string{"/srv/shelf/x"}, ""},
		"a device":                    {facts.Mount{Devno: facts.Devno{Major: 8}, Kind: "ext4", Source: "/dev/sda", SuperOptions: []string{"rw", "errors=remount-ro"}}, nil, ""},
		"a subvolume":                 {facts.Mount{Kind: "btrfs", Source: "/dev/sda", Devices: []string{"sda"}, SuperOptions: []string{"subvolid=5", "subvol=/srv"}}, nil, ""},
		"another host's":              {facts.Mount{Kind: "cifs", Source: "//srv/shelf"}, nil, ""},
		"none of the host's":          {facts.Mount{Kind: "tmpfs", Source: "tmpfs", SuperOptions: []string{"size=1k"}}, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			paths, unclear := c.mount.StandsOn()
			assert.Equal(t, c.paths, paths)
			assert.Equal(t, c.unclear, unclear)
		})
	}
}

// stack is a host with the shelf at /srv/shelf, and mounts that have no device.
type stack struct{ *invented.Builder }

func (b stack) on(kind, source, path string, options ...string) {
	b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: uint32(50 + len(b.Survey.Mounts))}, Root: "/", Path: path, Kind: kind, Source: source, SuperOptions: options})
}

const (
	shelfMount = "0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"
	onShelf    = "0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > /srv/shelf > "
)

func TestUsesByMounts(t *testing.T) {
	for name, c := range map[string]struct {
		change func(stack)
		want   []string // besides the shelf's own mount
	}{
		"an overlay of it":      {func(b stack) { b.on("overlay", "overlay", "/merged", "lowerdir=/srv/shelf/a:/x") }, []string{onShelf + "/srv/shelf/a > mount /merged"}},
		"its work folder there": {func(b stack) { b.on("overlay", "o", "/merged", "lowerdir=/x", "upperdir=/y", "workdir=/srv/shelf/w") }, []string{onShelf + "/srv/shelf/w > mount /merged"}},
		"an overlay of an overlay, a guest on that": {func(b stack) {
			b.on("overlay", "overlay", "/one", "lowerdir=/srv/shelf/a")
			b.on("overlay", "overlay", "/two", "lowerdir=/one/b")
			b.Guest("catalogue", "/two/catalogue.qcow2")
			b.Run("catalogue")
		}, []string{
			onShelf + "/srv/shelf/a > mount /one",
			onShelf + "/srv/shelf/a > /one > /one/b > mount /two",
			onShelf + "/srv/shelf/a > /one > /one/b > /two > /two/catalogue.qcow2 > guest catalogue"}},
		"an overlay over its own layer": {func(b stack) { b.on("overlay", "overlay", "/srv/shelf", "lowerdir=/srv/shelf") }, []string{onShelf + "/srv/shelf > mount /srv/shelf"}},
		"the host's root made of it":    {func(b stack) { b.on("overlay", "overlay", "/", "lowerdir=/srv/shelf/root") }, []string{onShelf + "/srv/shelf/root > host system /"}},
		"a layer by a link": {func(b stack) {
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/layers", Resolved: "/srv/shelf/layers"})
			b.on("overlay", "overlay", "/merged", "lowerdir=/layers")
		}, []string{onShelf + "/layers > mount /merged"}},
		"an encrypted folder":         {func(b stack) { b.on("ecryptfs", "/srv/shelf/.p", "/home/p") }, []string{onShelf + "/srv/shelf/.p > mount /home/p"}},
		"the partition by FUSE":       {func(b stack) { b.on("fuse.ntfs-3g", "/dev/nvme0n1p1", "/mnt") }, []string{"0000:01:00.0 > nvme0n1 > nvme0n1p1 (start) > mount /mnt"}},
		"mounts in it, in each other": {func(b stack) { b.on("tmpfs", "tmpfs", "/srv/shelf/x/y"); b.on("tmpfs", "tmpfs", "/srv/shelf/x") }, []string{onShelf + "mount /srv/shelf/x", onShelf + "/srv/shelf/x > mount /srv/shelf/x/y"}},
		"a mount over it":             {func(b stack) { b.on("tmpfs", "tmpfs", "/srv/shelf") }, []string{onShelf + "mount /srv/shelf"}},
		"an automount under it": {func(b stack) {
			b.on("autofs", "systemd-1", "/srv/shelf")
			b.Survey.Mounts = []facts.Mount{b.Survey.Mounts[0], b.Survey.Mounts[2], b.Survey.Mounts[1]}
		}, []string{onShelf + "mount /srv/shelf"}},
		"a swap file in a mount in it": {func(b stack) {
			b.NVMe("RL-4410-0088", "inner")
			b.Mount("nvme1n1p1", "/srv/shelf/inner")
			b.Survey.Swaps = []facts.Swap{{Path: "/srv/shelf/inner/swap", File: true}}
		}, []string{onShelf + "mount /srv/shelf/inner", onShelf + "/srv/shelf/inner > /srv/shelf/inner/swap > swap /srv/shelf/inner/swap"}},
		"a place that only begins like it": {func(b stack) { b.on("tmpfs", "tmpfs", "/srv/shelf-2") }, nil},
		// Linux 6.1 appends " (deleted)" to the name of what has none any more.
		"a loop device whose file was deleted": {func(b stack) {
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/shelf/disc.img (deleted)"})
		}, []string{onShelf + "/srv/shelf/disc.img (deleted) > holder loop0"}},
		"a swap file that was deleted": {func(b stack) {
			b.Survey.Swaps = []facts.Swap{{Path: "/srv/shelf/swap (deleted)", File: true}}
		}, []string{onShelf + "/srv/shelf/swap (deleted) > swap /srv/shelf/swap (deleted)"}},
		// The path of a file on a mount that was taken away lazily begins at that mount.
		"a loop device whose file is not where it says": {func(b stack) {
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/disc.img"})
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/disc.img", Resolved: "/disc.img", Missing: true})
		}, []string{"0000:01:00.0 > unknown loop0 is on /disc.img, which is not there any more"}},
		"layers that cannot be placed": {func(b stack) { b.on("overlay", "overlay", "/merged", "lowerdir=1/fs") },
			[]string{"0000:01:00.0 > unknown the filesystem at /merged is made of layer 1/fs"}},
		"layers of another mount namespace": {func(b stack) {
			b.on("overlay", "overlay", "/merged", "lowerdir=/a")
			b.Survey.Mounts[2].Elsewhere = "sh (pid 77)"
		}, []string{"0000:01:00.0 > unknown the filesystem at /merged is made of /a of another mount namespace"}},
		"such layers, and the kernel says that nobody holds the drive": {func(b stack) {
			b.on("overlay", "overlay", "/merged", "lowerdir=1/fs")
			for i := range b.Survey.Blocks {
				b.Survey.Blocks[i].Exclusive = facts.HeldByNobody
			}
		}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := stack{invented.NewBuilder()}
			at := b.NVMe("RL-4410-0073", "start", "shelf")
			b.Mount("nvme0n1p2", "/srv/shelf")
			c.change(b)
			var got []string
			for _, use := range facts.NewIndex(&b.Survey).LiveUses(at) {
				if use.String() != shelfMount {
					got = append(got, use.String())
				}
			}
			assert.ElementsMatch(t, c.want, got)
		})
	}
}

func TestMountsInSequence(t *testing.T) {
	b := stack{invented.NewBuilder()}
	for _, place := range []string{"/srv/shelf/b/c", "/srv/shelf-2", "/srv/shelf", "/srv/shelf/b", "/srv/shelf/b"} {
		b.on("tmpfs", "tmpfs", place)
	}
	ix := facts.NewIndex(&b.Survey)
	paths := func(list []*facts.Mount) (made []string) {
		for _, m := range list {
			made = append(made, m.Path)
		}
		return made
	}
	assert.Equal(t, []string{"/srv/shelf/b", "/srv/shelf/b", "/srv/shelf/b/c"}, paths(ix.MountsBelow("/srv/shelf")))
	assert.Empty(t, ix.MountsBelow("/srv/shelf/b/c"))
	assert.Equal(t, []string{"/srv/shelf/b/c", "/srv/shelf/b"}, paths(ix.Crowd("/srv/shelf/b")))
	assert.Same(t, &b.Survey.Mounts[5], ix.MountAt("/srv/shelf/b"), "the uppermost")
	assert.Nil(t, ix.MountAt("/srv"))
}
