package facts_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// What the kernel says of a drive is a use, named where anybody can be named.
func TestHeld(t *testing.T) {
	at := facts.Address{Bus: 1}
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		want   []string // live uses, without what leads to the drive
	}{
		"idle":         {func(*invented.Builder) {}, nil},
		"held by whom": {func(b *invented.Builder) { b.Block("nvme0n1p1").Exclusive = facts.HeldBySomeone }, []string{"nvme0n1 > nvme0n1p1 (start) > unknown somebody: the kernel says that it is in use"}},
		"the whole drive held by whom": {func(b *invented.Builder) {
			for i := range b.Survey.Blocks {
				b.Survey.Blocks[i].Exclusive = facts.HeldBySomeone
			}
		}, []string{"nvme0n1 > nvme0n1p1 (start) > unknown somebody: the kernel says that it is in use", "nvme0n1 > nvme0n1p2 (shelf) > unknown somebody: the kernel says that it is in use"}},
		"only the whole drive": {func(b *invented.Builder) { b.Block("nvme0n1").Exclusive = facts.HeldBySomeone },
			[]string{"nvme0n1 > unknown somebody: the kernel says that it is in use"}},
		"a mount": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/srv/shelf") }, []string{"nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"}},
		"a mount elsewhere": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Survey.Mounts[len(b.Survey.Mounts)-1].Elsewhere = "sh (pid 77)"
		}, []string{"nvme0n1 > nvme0n1p2 (shelf) > process sh (pid 77), which has it mounted at /srv/shelf in another mount namespace"}},
		"a mount, and another partition held by whom": {func(b *invented.Builder) {
			b.Mount("nvme0n1p2", "/srv/shelf")
			b.Block("nvme0n1p1").Exclusive = facts.HeldBySomeone
		}, []string{"nvme0n1 > nvme0n1p1 (start) > unknown somebody: the kernel says that it is in use", "nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"}},
		"swap": {func(b *invented.Builder) { b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}} }, []string{"nvme0n1 > nvme0n1p1 (start) > swap /dev/nvme0n1p1"}},
		"an opener": {func(b *invented.Builder) { b.Block("nvme0n1p1").Openers = []facts.Opener{{Process: "dd (pid 77)"}} },
			[]string{"nvme0n1 > nvme0n1p1 (start) > process dd (pid 77), which has it open"}},
		"the QEMU of the guest whose disk it is": {func(b *invented.Builder) {
			b.Guest("catalogue", "/dev/nvme0n1p1")
			b.Run("catalogue")
			b.Block("nvme0n1p1").Openers = []facts.Opener{{Process: "qemu-system-x86 (pid 77)", Guest: "catalogue"}}
		}, []string{"nvme0n1 > nvme0n1p1 (start) > guest catalogue"}},
		"one that only says so": {func(b *invented.Builder) {
			b.Guest("catalogue", "/dev/nvme0n1p1")
			b.Block("nvme0n1p1").Openers = []facts.Opener{{Process: "qemu-system-x86 (pid 77)", Guest: "catalogue"}}
		}, []string{"nvme0n1 > nvme0n1p1 (start) > process qemu-system-x86 (pid 77), which has it open"}},
		"a character device": {func(b *invented.Builder) {
			b.Function(at).Attached = []facts.Attached{{Name: "ng0n1", Class: "nvme-generic", Openers: []facts.Opener{{Process: "nvme (pid 77)"}}}}
		}, []string{"ng0n1 > process nvme (pid 77), which has it open"}},
		"a class that nobody knows": {func(b *invented.Builder) {
			b.Function(at).Attached = []facts.Attached{{Name: "dma0chan0", Class: "dma"}}
		},
			[]string{"dma0chan0 > unknown somebody, maybe: lendkeep does not know what uses a device of class dma"}},
		"users that could not be looked for": {func(b *invented.Builder) {
			b.Function(at).Gaps = []facts.Gap{{Fact: facts.GapUsers, Path: "/proc", Reason: "permission denied"}}
		}, []string{"unknown somebody, maybe: /proc: permission denied"}},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			require.Equal(t, at, b.NVMe("RL-4410-0073", "start", "shelf"))
			c.change(b)
			for _, survey := range []facts.Survey{b.Survey, b.Survey.Answered(), b.Survey.Answered().Unanswered().Answered()} {
				var list []string
				for _, u := range facts.NewIndex(&survey).LiveUses(at) {
					list = append(list, strings.TrimPrefix(u.String(), at.String()+" > "))
				}
				if survey.Functions[0].Asked && strings.HasPrefix(name, "the whole drive held") || name == "only the whole drive" {
					assert.NotEmpty(t, list) // by whichever device it is told
					continue
				}
				assert.Equal(t, c.want, list)
			}
		})
	}
}

// As measured with Linux 6.1 on a drive with two partitions.
func TestAnsweredAsMeasured(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		busy   []string
	}{
		"idle":       {func(*invented.Builder) {}, nil},
		"p2 mounted": {func(b *invented.Builder) { b.Mount("nvme0n1p2", "/srv/shelf") }, []string{"nvme0n1", "nvme0n1p2"}},
		"swap on p1": {func(b *invented.Builder) { b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}} }, []string{"nvme0n1", "nvme0n1p1"}},
		"dm on p1":   {func(b *invented.Builder) { b.Mapper("vg-lv", "nvme0n1p1") }, []string{"nvme0n1", "nvme0n1p1"}},
		"a loop device over p1": {func(b *invented.Builder) {
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/dev/nvme0n1p1"})
		}, nil},
		"p1 opened": {func(b *invented.Builder) { b.Block("nvme0n1p1").Openers = []facts.Opener{{Process: "dd (pid 77)"}} }, nil},
	} {
		b := invented.NewBuilder()
		b.NVMe("RL-4410-0073", "start", "shelf")
		c.change(b)
		var busy []string
		for _, block := range b.Survey.Answered().Blocks {
			if block.Exclusive == facts.HeldBySomeone {
				busy = append(busy, block.Name)
			}
		}
		assert.Equal(t, c.busy, busy, name)
		assert.NotEmpty(t, facts.NewIndex(&b.Survey).Unasked(facts.Address{Bus: 1}), name)
		answered := b.Survey.Answered()
		assert.Empty(t, facts.NewIndex(&answered).Unasked(facts.Address{Bus: 1}), name)
	}
}

// A mount of files that a virtio device shows does not tell which: it is a use of
// each that shows neither drives nor network.
func TestSharedFiles(t *testing.T) {
	for name, c := range map[string]struct {
		mount  facts.Mount
		change func(*facts.Function)
		used   bool
	}{
		"9P":                {facts.Mount{Path: "/share", Kind: "9p", Source: "share", SuperOptions: []string{"rw", "trans=virtio"}}, nil, true},
		"9P that says less": {facts.Mount{Path: "/share", Kind: "9p", Source: "share"}, nil, true},
		"9P by network":     {facts.Mount{Path: "/share", Kind: "9p", Source: "192.0.2.7", SuperOptions: []string{"rw", "trans=tcp"}}, nil, false},
		"virtiofs":          {facts.Mount{Path: "/share", Kind: "virtiofs", Source: "share"}, nil, true},
		"no such mount":     {facts.Mount{Path: "/share", Kind: "tmpfs"}, nil, false},
		"another driver":    {facts.Mount{Path: "/share", Kind: "virtiofs"}, func(f *facts.Function) { f.Driver, f.Class = "ahci", 0x010601 }, false},
		"a network card":    {facts.Mount{Path: "/share", Kind: "virtiofs"}, func(f *facts.Function) { f.Interfaces = []facts.Interface{{Name: "eth0"}} }, false},
	} {
		t.Run(name, func(t *testing.T) {
			f := facts.Function{Address: facts.Address{Slot: 1}, Driver: "virtio-pci"}
			if c.change != nil {
				c.change(&f)
			}
			ix := facts.NewIndex(&facts.Survey{Functions: []facts.Function{f}, Mounts: []facts.Mount{c.mount}})
			assert.Equal(t, c.used, len(ix.LiveUses(f.Address)) > 0)
		})
	}
}
