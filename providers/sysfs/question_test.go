package sysfs

import (
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
)

// hosts are all captured and half-invented hosts there are.
func hosts(t *testing.T) map[string]*archive.Archive {
	return map[string]*archive.Archive{
		"larch": openHost(t, "larch.txtar"), "before": openHost(t, "captured-before.txtar"),
		"running": openHost(t, "captured-running.txtar"), "after": openHost(t, "captured-after.txtar"),
		"holders": laidOver(t, "holders.txtar"), "btrfs": laidOver(t, "btrfs.txtar"), "multipath": laidOver(t, "multipath.txtar"),
		"troubles": laidOver(t, "troubles.txtar"), "extras": laidOver(t, "extras.txtar"), "kinds": laidOver(t, "kinds.txtar"),
	}
}

// ownerOf names the guest that has a function by the rules.
func ownerOf(f *facts.Function) string {
	if f.NVMe != nil {
		return "of " + f.NVMe.Name
	}
	return "of " + f.Address.String()
}

// rulesFor declares every NVMe controller of a host, each with a mount of its first
// partition where that is mounted, and every other function that is no bridge; each
// is lent to a guest of its own.
func rulesFor(s *facts.Survey) guard.Rules {
	ix, r := facts.NewIndex(s), guard.Rules{}
	for _, f := range s.Functions {
		if f.Bridge() {
			continue
		}
		if f.NVMe == nil {
			name := f.Address.String()
			r.Controllers = append(r.Controllers, guard.Controller{Identity: facts.Identity{Controller: name, Address: f.Address, Vendor: f.Vendor, Device: f.Device}, OnFailure: "hold"})
			r.Guests = append(r.Guests, guard.Guest{Name: ownerOf(&f), Borrows: []string{name}})
			continue
		}
		name := f.NVMe.Name
		c := guard.Controller{Identity: facts.Identity{Controller: name, Address: f.Address, Vendor: f.Vendor, Device: f.Device, Serial: f.NVMe.Serial}, OnFailure: "hold"}
		for _, drive := range ix.Drives(f.Address) {
			for _, part := range ix.Partitions(drive.Name) {
				for _, m := range ix.MountsOf(part) {
					c.Mounts = append(c.Mounts, guard.Mount{Partition: part.Partition.Name, Path: m.Path})
				}
			}
		}
		r.Controllers = append(r.Controllers, c)
		r.Guests = append(r.Guests, guard.Guest{Name: "of " + name, Borrows: []string{name}})
	}
	return r
}

// calls gives starts of guests that borrow each function, have each block device by
// each of its names as a disk, and live on each mount.
func calls(s *facts.Survey) []guard.Call {
	var list []guard.Call
	disk := func(named string) {
		d := facts.Definition{Disks: []facts.Disk{{Target: "vda", Kind: "block", Source: named}}}
		list = append(list, guard.Call{Guest: "disk", Definition: d})
	}
	for _, f := range s.Functions {
		for _, guest := range []string{ownerOf(&f), "stranger"} {
			list = append(list, guard.Call{Guest: guest, Definition: facts.Definition{Hostdevs: []facts.Hostdev{{Address: f.Address}}}})
		}
	}
	for _, b := range s.Blocks {
		disk("/dev/" + b.Name)
		for _, link := range b.Links {
			disk("/dev/" + link)
		}
	}
	for _, m := range s.Mounts {
		disk(m.Path + "/x.img")
	}
	return list
}

// decide gives what the guard says on a whole survey, and on one by the question.
func decide(t testing.TB, fsys fs.FS, r guard.Rules, call guard.Call) (whole, narrow guard.Verdict) {
	tree, err := OpenFS(fsys)
	require.NoError(t, err)
	w, err := tree.Survey(t.Context(), call.Definition.Paths())
	require.NoError(t, err)
	q := guard.Asks(r, call, tree.Paths(t.Context(), call.Definition.Paths()))
	n, err := tree.Answer(t.Context(), q)
	require.NoError(t, err)
	if !q.Slots { // no rule speaks of slots, so what could not be read of them is no matter
		w.Gaps = slices.DeleteFunc(w.Gaps, func(g facts.Gap) bool { return g.Fact == "functions.slot" })
	}
	tree.Name(&n)
	w, n = w.Answered(), n.Answered()
	return guard.Before(r, facts.NewIndex(&w), call), guard.Before(r, facts.NewIndex(&n), call)
}

// The guard decides on what its question sees as on the whole host.
func TestQuestionSeesEnough(t *testing.T) {
	for name, host := range hosts(t) {
		t.Run(name, func(t *testing.T) {
			survey := surveyOf(t, host, larchPaths...)
			rules := rulesFor(&survey)
			refused := 0
			for _, call := range calls(&survey) {
				whole, narrow := decide(t, host, rules, call)
				assert.Equal(t, whole, narrow, "%+v", call)
				if whole.Refuse != "" {
					refused++
				}
			}
			assert.Positive(t, refused)
		})
	}
}

// Whatever single thing cannot be read, the guard refuses on what its question sees
// wherever it does on the whole host, but for what is not its question's matter: then
// it decides as if all could be read.
func TestQuestionOnADamagedHost(t *testing.T) {
	for _, name := range []string{"larch", "holders", "kinds"} {
		host := hosts(t)[name]
		survey := surveyOf(t, host, larchPaths...)
		rules := rulesFor(&survey)
		reel := survey.Functions[slices.IndexFunc(survey.Functions, func(f facts.Function) bool { return f.NVMe != nil })].Address
		call := guard.Call{Guest: "of nvme0", Definition: facts.Definition{Hostdevs: []facts.Hostdev{{Address: reel}}}}
		_, undamaged := decide(t, host, rules, call)
		base := watch(host)
		tree, err := OpenFS(base)
		require.NoError(t, err)
		_, err = tree.Answer(t.Context(), guard.Asks(rules, call, nil))
		require.NoError(t, err)
		for _, path := range slices.Sorted(maps.Keys(base.touch)) {
			damaged := watch(host)
			damaged.refuse = path
			whole, narrow := decide(t, damaged, rules, call)
			if narrow.Refuse == "" {
				assert.Empty(t, whole.Refuse, "%s: %s", name, path)
			}
		}
		everything := watch(host)
		surveyOf(t, everything)
		left := 0
		for path := range everything.touch {
			if !base.touch[path] {
				left++
				damaged := watch(host)
				damaged.refuse = path
				_, narrow := decide(t, damaged, rules, call)
				assert.Equal(t, undamaged, narrow, "%s: %s", name, path)
			}
		}
		fmt.Printf("%s: of %d paths the guard needs %d\n", name, len(everything.touch), len(base.touch))
		assert.Greater(t, left, len(base.touch))
	}
}

// opened counts the files and folders that are opened for the start of a guest.
func opened(t *testing.T, b *invented.Builder, rules guard.Rules, call guard.Call) int {
	fsys := watch(parsed(t, string(invented.Tree(&b.Survey))))
	tree, err := OpenFS(fsys)
	require.NoError(t, err)
	_, err = tree.Answer(t.Context(), guard.Asks(rules, call, nil))
	require.NoError(t, err)
	count := 0
	for _, times := range fsys.opened {
		count += times
	}
	return count
}

// What a start costs does not depend on how many other functions a host has, nor on
// what is on their drives: of another NVMe controller only the serial is read, since
// it could be the one that is meant.
func TestQuestionDoesNotGrowWithTheHost(t *testing.T) {
	small := func() *invented.Builder {
		b := invented.NewBuilder()
		b.NVMe("RL-4410-0073", "start", "shelf")
		b.Mount("nvme0n1p2", "/srv/shelf")
		return b
	}
	call := guard.Call{Guest: "of nvme0", Definition: facts.Definition{Hostdevs: []facts.Hostdev{{Address: facts.Address{Bus: 1}}}}}
	b := small()
	rules := rulesFor(&b.Survey)
	before := opened(t, b, rules, call)
	for n := range 20 {
		group := 500 + n
		at := facts.Address{Bus: 0xf0, Slot: uint8(n)}
		b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: at, Vendor: 0x8086, Device: 0x10d3, Class: 0x020000, Driver: "e1000e", Group: &group,
			Interfaces: []facts.Interface{{Name: fmt.Sprintf("eth%d", n), Up: true}}})
		name := fmt.Sprintf("sd%c", 'a'+n)
		b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: name, Controller: &at, Devno: facts.Devno{Major: 8, Minor: uint32(n)}, Signature: &facts.Signature{Kind: "ext4"}})
		b.Mount(name, "/srv/"+name)
	}
	assert.Equal(t, before, opened(t, b, rules, call))
	for n := range 20 {
		b.NVMe(fmt.Sprintf("SN-%d", n), "data")
		b.Mount(fmt.Sprintf("nvme%dn1p1", n+1), fmt.Sprintf("/srv/data%d", n))
	}
	assert.Equal(t, before+20, opened(t, b, rules, call), "a serial each")
	assert.Equal(t, before+20, opened(t, b, rulesFor(&b.Survey), call), "whether the rules speak of them or not")

	b = small()
	b.Mount(b.Mapper("vg-lv", b.Mapper("luks", "nvme0n1p1")), "/mnt/deep")
	whole := opened(t, b, rules, call)
	assert.Greater(t, whole, before, "what is built on its own drive is read")
}

// One that is on VFIO cannot say who it is: then any other of its kind could be it.
func TestQuestionOfOneOnVFIO(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073")
	rules := rulesFor(&b.Survey)
	twin := b.NVMe("RL-4410-0088")
	for _, away := range []facts.Address{at, twin} {
		b.Function(away).Driver, b.Function(away).NVMe = "vfio-pci", nil
	}
	b.Survey.Blocks = b.Survey.Blocks[:1]
	host := parsed(t, string(invented.Tree(&b.Survey)))
	call := guard.Call{Guest: "of nvme0", Definition: facts.Definition{Hostdevs: []facts.Hostdev{{Address: at}}}}
	whole, narrow := decide(t, host, rules, call)
	assert.Equal(t, whole, narrow)
	assert.Contains(t, narrow.Refuse, "cannot be asked for its serial")
	assert.True(t, strings.Contains(narrow.Refuse, twin.String()), narrow.Refuse)
}

// Where a controller says no serial, others of its kind are read, since one of them may
// sit at its place now; of a virtual function those of its parent's.
func TestQuestionReadsOthersOfOneKind(t *testing.T) {
	b := invented.NewBuilder()
	card, twin, drive := b.Ethernet(), b.Ethernet(), b.NVMe("RL-4410-0073")
	tree, err := OpenFS(parsed(t, string(invented.Tree(&b.Survey))))
	require.NoError(t, err)
	stated := facts.Identity{Controller: "card", Address: card, Vendor: 0x8086, Device: 0x10c9}
	virtual := facts.Identity{Controller: "port", Virtual: facts.VirtualOf{Controller: "card", Address: card, Vendor: 0x8086, Device: 0x10c9}}
	for _, r := range []facts.Identity{stated, virtual} {
		survey, err := tree.Answer(t.Context(), facts.Question{Functions: []facts.Address{card}, Controllers: []facts.Identity{r}})
		require.NoError(t, err)
		ix := facts.NewIndex(&survey)
		assert.Nil(t, ix.Function(twin).Gap("vendor"), r.Controller)
		assert.NotNil(t, ix.Function(drive).Gap("vendor"), r.Controller)
	}
}
