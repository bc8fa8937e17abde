package guard_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// bench is larch with its rules: grading borrows reel, whose shelf holds the
// disk of catalogue; spare is borrowed by nobody; SN-NEVER is never lent.
type bench struct {
	*invented.Builder
	reel, spare, never facts.Address
	rules              guard.Rules
	call               guard.Call
	shelf              *facts.Volume    // how reel's shelf was left
	whole              *facts.Signature // of reel's drive
}

func newBench(t testing.TB) *bench {
	b := &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{Number: 2, Condition: facts.Clean}}
	b.reel = b.NVMe("RL-4410-0073", "start", "shelf")
	b.spare = b.NVMe("RL-4410-0088", "attic")
	b.never = b.NVMe("SN-NEVER")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2", b.Identity("reel", b.reel))
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.rules = order.CompileRules(b.laid(t))
	b.borrower("grading", b.reel)
	return b
}

func (b *bench) laid(t testing.TB) *assess.Case {
	layout := invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf"), invented.Controller("spare", "RL-4410-0088")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")})
	layout.Host.NeverLend = []string{"SN-NEVER"}
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	require.False(t, assess.Stops(assess.Assess(c)), "%+v", assess.Assess(c))
	return c
}

// borrower makes the call one of a guest whose definition lends these.
func (b *bench) borrower(name string, lent ...facts.Address) {
	b.call = guard.Call{Guest: name}
	for _, at := range lent {
		b.call.Definition.Hostdevs = append(b.call.Definition.Hostdevs, facts.Hostdev{Address: at, Managed: true})
	}
}

// reelOf is the record of reel.
func (b *bench) reelOf() facts.Identity { return b.Identity("reel", b.reel) }

// ordered has an order under way that starts a guest at this moment, which gets
// these.
func (b *bench) ordered(guest string, takes ...facts.Identity) {
	b.call.Ordered = &guard.Ordered{Told: true, Guests: []string{guest}, Start: guest, Takes: takes}
}

// disk adds a disk to the definition of the call.
func (b *bench) disk(d facts.Disk) {
	b.call.Definition.Disks = append(b.call.Definition.Disks, d)
}

// lendVirtual has a stranger start with a virtual function of a network card.
func (b *bench) lendVirtual() facts.Address {
	v := b.Virtual(b.Ethernet(), 2, 7, "igbvf")
	b.borrower("other", v[1])
	return v[1]
}

// index is what the guard sees: nothing of libvirt's.
func (b *bench) index() *facts.Index {
	seen := b.Survey
	located := b.rules.Located(b.call.Definition)
	named := located.Paths()
	seen.Libvirt = facts.Virtualization{}
	seen.Paths = slices.DeleteFunc(slices.Clone(seen.Paths), func(p facts.Path) bool { return !slices.Contains(named, p.Named) })
	for _, name := range named {
		if !slices.ContainsFunc(seen.Paths, func(p facts.Path) bool { return p.Named == name }) {
			seen.Paths = append(seen.Paths, facts.Path{Named: name, Resolved: name})
		}
	}
	seen.Contents = []facts.Content{{Of: "nvme0n1", Signature: b.whole, Volumes: []facts.Volume{*b.shelf}}}
	seen = seen.Answered()
	return facts.NewIndex(&seen)
}

func (b *bench) unmounted() { b.Survey.Mounts = b.Survey.Mounts[:1] }

// aside puts a function on VFIO.
func (b *bench) aside(at facts.Address) {
	b.Function(at).Driver, b.Function(at).NVMe = "vfio-pci", nil
	b.Survey.Blocks = slices.DeleteFunc(b.Survey.Blocks, func(block facts.Block) bool { return block.Controller != nil && *block.Controller == at })
}

func TestBefore(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*bench)
		refuses string // a part of the reason; empty: it may start
		unmount []string
		notes   string
	}{
		"a borrower, its shelf mounted": {func(b *bench) {}, "", []string{"/srv/shelf"}, ""},
		"a borrower, nothing mounted":   {(*bench).unmounted, "", nil, ""},
		"an order has left something mounted": {func(b *bench) { b.ordered("grading") },
			"an order is being carried out and /srv/shelf is still mounted", nil, ""},
		"another mount":                     {func(b *bench) { b.Mount("nvme0n1p1", "/mnt/x") }, "mount /mnt/x", nil, ""},
		"the same filesystem mounted twice": {func(b *bench) { b.Mount("nvme0n1p2", "/mnt/x") }, "mount /mnt/x", nil, ""},
		"another partition at the declared place": {func(b *bench) { b.unmounted(); b.Mount("nvme0n1p1", "/srv/shelf") },
			"nvme0n1p1 (start) > mount /srv/shelf", nil, ""},
		"swap": {func(b *bench) { b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}} }, "swap /dev/nvme0n1p1", nil, ""},
		"a swap file on the shelf": {func(b *bench) { b.Survey.Swaps = []facts.Swap{{Path: "/srv/shelf/swap", File: true}} },
			"swap /srv/shelf/swap", nil, ""},
		"a volume on an encrypted partition": {func(b *bench) { b.Mapper("vg-lv", b.Mapper("luks", "nvme0n1p1")) }, "vg-lv", nil, ""},
		"holders that could not be read": {func(b *bench) {
			b.Block("nvme0n1p1").Gaps = []facts.Gap{{Fact: "holders", Path: "/sys/x", Reason: "permission denied"}}
		}, "permission denied", nil, ""},
		"a driver that could not be read": {func(b *bench) {
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys/x/driver", Reason: "input/output error"}}
		}, "driver of controller reel is not known", nil, ""},
		"virtual functions":          {func(b *bench) { b.Function(b.reel).Virtual = 2 }, "has virtual functions (2); they would all go offline", nil, ""},
		"virtual functions, on VFIO": {func(b *bench) { b.unmounted(); b.aside(b.reel); b.Function(b.reel).Virtual = 2 }, "has virtual functions (2)", nil, ""},
		"virtual functions that nobody knows of": {func(b *bench) {
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "virtual_functions", Path: "/sys/x/sriov_numvfs", Reason: "input/output error"}}
		}, "has virtual functions is not known", nil, ""},
		"a stranger with a card that has virtual functions": {func(b *bench) {
			card := b.Card(b.never, "e1000e")
			b.Function(card).Virtual = 1
			b.borrower("other", card)
		}, "has virtual functions (1)", nil, ""},
		"a virtual function": {func(b *bench) { b.lendVirtual() }, "", nil, ""},
		"a virtual function whose parent is on VFIO": {func(b *bench) {
			b.Function(*b.Function(b.lendVirtual()).Parent).Driver = "vfio-pci"
		}, "which is on VFIO or goes there", nil, ""},
		"a virtual function whose parent may be on VFIO": {func(b *bench) {
			f := b.Function(*b.Function(b.lendVirtual()).Parent)
			f.Driver, f.Gaps = "", []facts.Gap{{Fact: "driver", Path: "/sys/x/driver", Reason: "input/output error"}}
		}, "nobody knows whether it is lent: input/output error", nil, ""},
		"a virtual function with its parent": {func(b *bench) {
			v := b.lendVirtual()
			b.call.Definition.Hostdevs = append(b.call.Definition.Hostdevs, facts.Hostdev{Address: *b.Function(v).Parent, Managed: true})
		}, "which is on VFIO or goes there", nil, ""},
		"a virtual function whose parent is not to be seen": {func(b *bench) {
			parent := *b.Function(b.lendVirtual()).Parent
			b.Survey.Functions = slices.DeleteFunc(b.Survey.Functions, func(f facts.Function) bool { return f.Address == parent })
		}, "which is not to be seen", nil, ""},
		"a virtual function whose parent was granted to another guest": {func(b *bench) {
			b.call.Granted = []guard.Grant{{Guest: "other", Address: *b.Function(b.lendVirtual()).Parent}}
		}, "guest other, which is being started, was granted", nil, ""},
		"what may be a virtual function": {func(b *bench) {
			b.Function(b.reel).Gaps = []facts.Gap{{Fact: "parent", Path: "/sys/x/physfn", Reason: "input/output error"}}
		}, "whether QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 is a virtual function is not known", nil, ""},
		"a virtual function of a drive that the host uses": {func(b *bench) {
			b.Mount("nvme1n1p1", "/mnt/attic")
			b.borrower("other", b.Virtual(b.spare, 1, 2, "")[0])
		}, "0000:02:10.1 > 0000:02:00.0 > nvme1n1 > nvme1n1p1 (attic) > mount /mnt/attic", nil, ""},
		"a virtual function of a drive that is never lent": {func(b *bench) {
			b.borrower("other", b.Virtual(b.never, 1, 2, "")[0])
		}, "never lent, by the layout's never_lend", nil, ""},
		"a virtual function that is live, of a drive that the host uses": {func(b *bench) {
			v := b.Virtual(b.reel, 1, 2, "nvme")
			b.Function(v[0]).NVMe = &facts.NVMe{Name: "nvme9", Serial: "RL-4410-0073", State: "live"}
			b.borrower("other", v[0])
		}, "", nil, ""},
		"an undo, with virtual functions": {func(b *bench) {
			b.unmounted()
			b.Function(b.reel).Virtual = 2
			b.borrower("other", b.reel)
			b.ordered("other", b.reelOf())
		}, "has virtual functions (2)", nil, ""},
		"mounts that could not be read": {func(b *bench) {
			b.Survey.Gaps = []facts.Gap{{Fact: "mounts", Path: "/proc/self/mountinfo", Reason: "it is cut"}}
		}, "/proc/self/mountinfo", nil, ""},
		"a disk that the host has mounted": {func(b *bench) {
			b.Mount("nvme1n1p1", "/mnt/attic")
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1"})
		}, "the host uses its disk vdz, /dev/nvme1n1p1: nvme1n1p1 (attic) > mount /mnt/attic", nil, ""},
		"a disk with a mounted partition, of a guest that no rule knows": {func(b *bench) {
			b.call = guard.Call{Guest: "stranger"}
			b.Mount("nvme1n1p1", "/mnt/attic")
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1"})
		}, "mount /mnt/attic", nil, ""},
		"a disk that it only reads": {func(b *bench) {
			b.Mount("nvme1n1p1", "/mnt/attic")
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1", ReadOnly: true})
		}, "", []string{"/srv/shelf"}, ""},
		"a disk of which something could not be read": {func(b *bench) {
			b.Block("nvme1n1p1").Gaps = []facts.Gap{{Fact: "holders", Path: "/sys/x", Reason: "permission denied"}}
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1"})
		}, "", []string{"/srv/shelf"}, "permission denied"},
		"a disk that the kernel calls busy": {func(b *bench) {
			b.Block("nvme1n1p1").Exclusive = facts.HeldBySomeone
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1"})
		}, "the kernel says that it is in use", nil, ""},
		"a disk that a process has open": {func(b *bench) {
			b.Block("nvme1n1p1").Openers = []facts.Opener{{Process: "dd (pid 77)"}}
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1"})
		}, "dd (pid 77)", nil, ""},
		"a disk for several guests that another has open": {func(b *bench) {
			b.Block("nvme1n1p1").Openers = []facts.Opener{{Process: "qemu-system-x86 (pid 77)"}}
			b.disk(facts.Disk{Target: "vdz", Kind: "block", Source: "/dev/nvme1n1p1", Shareable: true})
		}, "", []string{"/srv/shelf"}, "pid 77"},
		"a volume that the host has mounted": {func(b *bench) {
			b.call = guard.Call{Guest: "stranger"}
			b.Mount("nvme1n1p1", "/mnt/attic")
			b.rules.Pools = []guard.Pool{{Name: "parts", Target: "/dev"}}
			b.disk(facts.Disk{Target: "vdz", Kind: "volume", Pool: "parts", Volume: "nvme1n1p1"})
		}, "the host uses its disk vdz, /dev/nvme1n1p1: nvme1n1p1 (attic) > mount /mnt/attic", nil, ""},
		"a volume that is the host's swap": {func(b *bench) {
			b.call = guard.Call{Guest: "stranger"}
			b.Survey.Swaps = []facts.Swap{{Path: "/srv/images/swap", File: true}}
			b.rules.Pools = []guard.Pool{{Name: "images", Target: "/srv/images"}}
			b.disk(facts.Disk{Target: "vdz", Kind: "volume", Pool: "images", Volume: "swap"})
		}, "the host uses its disk vdz, /srv/images/swap", nil, ""},
		"a volume of a pool that nobody knows": {func(b *bench) {
			b.call = guard.Call{Guest: "stranger"}
			b.disk(facts.Disk{Target: "vdz", Kind: "volume", Pool: "new", Volume: "x"})
		}, "", nil, "whether the host uses its disk vdz is not known: the rules do not know pool new"},
		"a function that is never lent, in arguments for QEMU": {func(b *bench) {
			b.call = guard.Call{Guest: "stranger", Definition: facts.Definition{Reaches: []facts.Reach{{Kind: facts.ReachPCI, Name: b.never.String()}}}}
		}, "never lent", nil, ""},
		"an undeclared function in a group with the host's card, of a borrower": {func(b *bench) {
			b.unmounted()
			other := b.NVMe("RL-4410-0099")
			b.Card(other, "e1000e")
			b.borrower("grading", b.reel, other)
		}, "82574L", nil, ""},
		"a group with the host's card in it": {func(b *bench) { b.Card(b.reel, "e1000e") }, "82574L", nil, ""},
		"in no group":                        {func(b *bench) { b.Function(b.reel).Group = nil }, "no IOMMU group", nil, ""},
		"another model with that serial":     {func(b *bench) { b.Function(b.reel).NVMe.Model = "Other" }, "QEMU NVMe Ctrl by the rules", nil, ""},
		"another size": {func(b *bench) {
			b.Function(b.reel).NVMe.Namespaces = []facts.Namespace{{ID: 1, SizeBytes: 1 << 30}}
		}, "1073741824 bytes", nil, ""},
		"not live": {func(b *bench) { b.Function(b.reel).NVMe.State = "resetting" }, "does not work", nil, ""},
		"the controller moved, another sits there": {func(b *bench) {
			b.unmounted()
			b.Function(b.reel).NVMe.Serial, b.Function(b.spare).NVMe.Serial = "RL-4410-0088", "RL-4410-0073"
		}, "controller reel is at 0000:02:00.0 now", nil, ""},
		"the controller is gone, another sits there": {func(b *bench) { b.Function(b.reel).NVMe.Serial = "NEW" },
			"is not to be found; at 0000:01:00.0, which its definition names, is QEMU NVMe Ctrl NEW", nil, ""},
		"two with that serial": {func(b *bench) { b.NVMe("RL-4410-0073") }, "does not work, or cannot be asked", nil, ""},
		"the definition's own note means another": {func(b *bench) {
			b.call.Definition.Identities = []facts.Identity{{Controller: "reel", Address: b.reel, Vendor: 0x1b36, Device: 0x10, Serial: "OLD"}}
		}, "controller reel OLD", nil, ""},
		"on VFIO, the only one off the host's driver": {func(b *bench) { b.unmounted(); b.aside(b.reel) }, "", nil, "on VFIO already"},
		"on VFIO, and a program has its group": {func(b *bench) {
			b.unmounted()
			b.aside(b.reel)
			b.Function(b.reel).Attached = []facts.Attached{{Name: "vfio/17", Class: "vfio", Openers: []facts.Opener{{Process: "qemu-system-x86 (pid 9)"}}}}
		}, "qemu-system-x86 (pid 9), which has it open", nil, ""},
		"on VFIO, as a twin is": {func(b *bench) { b.unmounted(); b.aside(b.reel); b.aside(b.spare) },
			"cannot be asked for its serial", nil, ""},
		"on VFIO by an order, as a twin is": {func(b *bench) { b.unmounted(); b.aside(b.reel); b.aside(b.spare); b.ordered("grading", b.reelOf()) },
			"cannot be asked for its serial", nil, ""},

		"another start was granted it": {func(b *bench) { b.unmounted(); b.call.Granted = []guard.Grant{{Address: b.reel, Guest: "second"}} },
			"guest second, which is being started, was granted 0000:01:00.0", nil, ""},
		"its own start was granted it before":              {func(b *bench) { b.unmounted(); b.call.Granted = []guard.Grant{{Address: b.reel, Guest: "grading"}} }, "", nil, ""},
		"a stranger without a device":                      {func(b *bench) { b.borrower("other") }, "", nil, ""},
		"a stranger that names reel":                       {func(b *bench) { b.borrower("other", b.reel) }, "the layout lends that to grading only", nil, ""},
		"a stranger that names reel, aside":                {func(b *bench) { b.unmounted(); b.aside(b.reel); b.borrower("other", b.reel) }, "lends that to grading only", nil, ""},
		"a guest of the layout, but not this":              {func(b *bench) { b.borrower("grading", b.reel, b.spare) }, "the layout lends that to no guest", nil, ""},
		"an undo gives back what the rules give to others": {func(b *bench) { b.unmounted(); b.borrower("other", b.reel); b.ordered("other", b.reelOf()) }, "", nil, ""},
		"an undo, and the host uses it": {func(b *bench) { b.borrower("other", b.reel); b.ordered("other", b.reelOf()) },
			"/srv/shelf is still mounted", nil, ""},
		"an undo, and another mount": {func(b *bench) {
			b.unmounted()
			b.Mount("nvme0n1p1", "/mnt/x")
			b.borrower("other", b.reel)
			b.ordered("other", b.reelOf())
		}, "mount /mnt/x", nil, ""},
		"an undo, with a group that cannot be lent": {func(b *bench) {
			b.unmounted()
			b.Card(b.reel, "e1000e")
			b.borrower("other", b.reel)
			b.ordered("other", b.reelOf())
		}, "82574L", nil, ""},
		"an undo, and another controller sits there": {func(b *bench) {
			b.unmounted()
			r := b.reelOf()
			b.Function(b.reel).NVMe.Serial, b.Function(b.spare).NVMe.Serial = "RL-4410-0088", "RL-4410-0073"
			b.borrower("other", b.reel)
			b.ordered("other", r)
		}, "controller reel is at 0000:02:00.0 now", nil, ""},
		"an undo that gives back another controller": {func(b *bench) { b.unmounted(); b.borrower("other", b.reel, b.spare); b.ordered("other", b.reelOf()) },
			"the layout lends that to no guest", nil, ""},
		"an undo of what is never lent": {func(b *bench) {
			b.borrower("other", b.never)
			b.ordered("other", b.Identity("never", b.never))
		}, "never_lend", nil, ""},
		"an order starts another guest": {func(b *bench) { b.unmounted(); b.ordered("other", b.reelOf()) },
			"it borrows 0000:01:00.0, and an order is being carried out that does not start it now", nil, ""},
		"an order that says nothing": {func(b *bench) { b.unmounted(); b.call.Ordered = &guard.Ordered{} },
			"that does not start it now", nil, ""},
		"an order that says nothing, of a guest on the shelf": {func(b *bench) { b.borrower("catalogue"); b.call.Ordered = &guard.Ordered{} },
			"it has files on /srv/shelf, and an order is being carried out that may unmount it", nil, ""},
		"an order that says nothing, of a guest without a device": {func(b *bench) { b.borrower("other"); b.call.Ordered = &guard.Ordered{} }, "", nil, ""},
		"an order elsewhere, of a guest on the shelf": {func(b *bench) {
			b.borrower("catalogue")
			b.call.Ordered = &guard.Ordered{Told: true, Mounts: []string{"/srv/attic"}}
		}, "", nil, ""},
		"an order that mounts below, of a guest on the shelf": {func(b *bench) {
			b.borrower("catalogue")
			b.call.Ordered = &guard.Ordered{Told: true, Mounts: []string{"/srv/shelf/inner"}}
		}, "an order is being carried out that may unmount it", nil, ""},
		"an order starts a guest on the shelf": {func(b *bench) { b.borrower("catalogue"); b.ordered("catalogue") }, "", nil, ""},
		"another start lives on the shelf": {func(b *bench) { b.call.Granted = []guard.Grant{{Guest: "catalogue", Place: "/srv/shelf"}} },
			"guest catalogue, which is being started, lives on /srv/shelf", nil, ""},
		"another start lives elsewhere": {func(b *bench) { b.call.Granted = []guard.Grant{{Guest: "attic", Place: "/srv/attic"}} },
			"", []string{"/srv/shelf"}, ""},
		"a place that was granted is no function": {func(b *bench) {
			b.borrower("other", facts.Address{})
			b.call.Granted = []guard.Grant{{Guest: "catalogue", Place: "/srv/shelf"}}
		}, "", nil, ""},
		"a link on the shelf that leads away": {func(b *bench) {
			b.borrower("other")
			b.disk(facts.Disk{Kind: "file", Source: "/srv/shelf/x"})
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/shelf/x", Resolved: "/etc/shadow", Via: []string{"/srv/shelf/x"}})
		}, "a link on /srv/shelf, which guests with controller reel can write, leads its /srv/shelf/x to /etc/shadow", nil, ""},
		"a way to a link on the shelf that leads away": {func(b *bench) {
			b.borrower("other")
			b.disk(facts.Disk{Kind: "file", Source: "/srv/way/x"})
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/way/x", Resolved: "/etc/shadow", Via: []string{"/srv/way", "/srv/shelf/dir"}})
		}, "leads its /srv/way/x to /etc/shadow", nil, ""},
		"a link on the shelf that stays there": {func(b *bench) {
			b.borrower("other")
			b.disk(facts.Disk{Kind: "file", Source: "/srv/shelf/x"})
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/shelf/x", Resolved: "/srv/shelf/y", Via: []string{"/srv/shelf/x"}})
		}, "", nil, ""},
		"a name on the shelf that leads nobody knows where": {func(b *bench) {
			b.borrower("other")
			b.disk(facts.Disk{Kind: "file", Source: "/srv/shelf/x"})
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/shelf/x", Gap: "looking at it did not end"})
		}, "where its /srv/shelf/x on /srv/shelf leads is not known: looking at it did not end", nil, ""},
		"never lent": {func(b *bench) { b.borrower("other", b.never) }, "never_lend", nil, ""},
		"a stranger with a card that is up": {func(b *bench) {
			card := b.Card(b.never, "e1000e")
			b.Function(card).Interfaces = []facts.Interface{{Name: "eth0", Up: true}}
			b.borrower("other", card)
		}, "", nil, ""},
		"a stranger with a keyboard on it": {func(b *bench) {
			card := b.Card(b.never, "xhci_hcd")
			b.Function(card).Class = 0x0c0330
			b.Function(card).Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Sort: "keyboard"}}
			b.borrower("other", card)
		}, "", nil, ""},
		"a stranger with a mounted stick": {func(b *bench) {
			card := b.Card(b.never, "xhci_hcd")
			b.Function(card).Class = 0x0c0330
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "sdc", Devno: facts.Devno{Major: 8, Minor: 32}, Controller: &card, Signature: &facts.Signature{Kind: "vfat"}})
			b.Mount("sdc", "/mnt/keys")
			b.borrower("other", card)
		}, "sdc > mount /mnt/keys", nil, ""},
		"its own with a keyboard on it": {func(b *bench) {
			b.Function(b.reel).Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Sort: "keyboard"}}
		}, "1-2 > device keyboard (usb 1-2) (the host's driver usbhid has it); it is gone for the host", nil, ""},
		"its own with the console": {func(b *bench) {
			b.Function(b.reel).Attached = []facts.Attached{{Name: "fb0", Class: "graphics", Shows: facts.ShowsConsole}}
		}, "console fb0 (the host's console is on it)", nil, ""},
		"its own in a bridge, though down": {func(b *bench) {
			b.Function(b.reel).Interfaces = []facts.Interface{{Name: "eth0", Built: []facts.Built{{Name: "br0", On: "eth0"}}}}
		}, "eth0 > network interface br0; connections over it end", nil, ""},
		"a stranger with a drive that is mounted": {func(b *bench) {
			at := b.NVMe("SN-4", "data")
			b.Mount("nvme3n1p1", "/data")
			b.borrower("other", at)
		}, "mount /data", nil, ""},
		"a stranger with an address where nothing sits": {func(b *bench) { b.borrower("other", facts.Address{Bus: 9}) }, "", nil, ""},

		"a guest on the shelf": {func(b *bench) { b.borrower("catalogue") }, "", nil, ""},
		"a guest on the shelf that is not mounted": {func(b *bench) { b.unmounted(); b.borrower("catalogue") },
			"it has files on /srv/shelf of controller reel, and nothing is mounted there", nil, ""},
		"a guest on the shelf, another drive there": {func(b *bench) {
			b.unmounted()
			b.Mount("nvme1n1p1", "/srv/shelf")
			b.borrower("catalogue")
		}, "/dev/nvme1n1p1 is mounted there", nil, ""},
		"a stranger with an image on the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "file", Source: "/srv/shelf/x.qcow2"}}
		}, "nothing is mounted there", nil, ""},
		"a stranger with a share of the shelf itself": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "dir", Source: "/srv/shelf", Device: "filesystem"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a share of all shelves": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "dir", Source: "/srv/", Device: "filesystem"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a link onto the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/link/x", Resolved: "/srv/shelf/x", Missing: true})
			b.call.Definition.Disks = []facts.Disk{{Kind: "file", Source: "/srv/link/x", Device: "disk"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a share beside the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "dir", Source: "/srv/shelf2", Device: "filesystem"}}
		}, "", nil, ""},
		"a stranger with its firmware variables on the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "nvram", Source: "/srv/shelf/x.fd", Device: "nvram"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a log on the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Reaches = []facts.Reach{{Kind: facts.ReachPath, Name: "/srv/shelf/log"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a volume on the shelf": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.rules.Pools = []guard.Pool{{Name: "shelf", Target: "/srv/shelf"}}
			b.call.Definition.Disks = []facts.Disk{{Kind: "volume", Pool: "shelf", Volume: "x"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a volume elsewhere": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.rules.Pools = []guard.Pool{{Name: "images", Target: "/srv/images"}, {Name: "far"}}
			b.call.Definition.Disks = []facts.Disk{{Kind: "volume", Pool: "images", Volume: "x"}, {Kind: "volume", Pool: "far", Volume: "x"}}
		}, "", nil, ""},
		"a stranger with a link onto the shelf as a volume": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.rules.Pools = []guard.Pool{{Name: "images", Target: "/srv/images"}}
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/images/x", Resolved: "/srv/shelf/x"})
			b.call.Definition.Disks = []facts.Disk{{Kind: "volume", Pool: "images", Volume: "x"}}
		}, "it has files on /srv/shelf", nil, ""},
		"a stranger with a volume of a pool that nobody knows": {func(b *bench) {
			b.unmounted()
			b.borrower("other")
			b.call.Definition.Disks = []facts.Disk{{Kind: "volume", Pool: "new", Volume: "x"}}
		}, "volume x of pool new, which the rules do not know, may be on /srv/shelf", nil, ""},
		"a stranger that passes reel to QEMU": {func(b *bench) {
			b.borrower("other")
			b.call.Definition.Reaches = []facts.Reach{{Kind: facts.ReachPCI, Name: b.reel.String()}}
		}, "the layout lends that to grading only", nil, ""},
		"a borrower that passes reel to QEMU": {func(b *bench) {
			b.borrower("grading")
			b.call.Definition.Reaches = []facts.Reach{{Kind: facts.ReachPCI, Name: b.reel.String()}}
		}, "the host's driver nvme holds it", nil, ""},
		"a stranger that passes to QEMU what is never lent": {func(b *bench) {
			b.borrower("other")
			b.call.Definition.Reaches = []facts.Reach{{Kind: facts.ReachPCI, Name: b.never.String()}}
		}, "never_lend", nil, ""},
		"a guest on the shelf, where a failed return only alarms": {func(b *bench) {
			b.unmounted()
			b.rules.Controllers[0].OnFailure = "alarm"
			b.borrower("catalogue")
		}, "", nil, "nothing is mounted there"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.change(b)
			verdict := guard.Before(b.rules, b.index(), b.call)
			assert.Equal(t, verdict.Refuse == "", sameBefore(t, b.rules, b.index().Survey, b.call).Refuse == "")
			if c.refuses == "" {
				assert.Empty(t, verdict.Refuse)
			} else {
				assert.Contains(t, verdict.Refuse, c.refuses)
			}
			assert.Equal(t, c.unmount, verdict.Unmount)
			assert.Contains(t, strings.Join(append(verdict.Notes, verdict.Alarms...), "\n"), c.notes)
			assert.LessOrEqual(t, strings.Count(verdict.Refuse, "\n"), 0, "one line")
		})
	}
}

func TestAfter(t *testing.T) {
	for name, c := range map[string]struct {
		change             func(*bench)
		mount, wait, wrong string
	}{
		"back, to be mounted":       {(*bench).unmounted, "/dev/nvme0n1p2 /srv/shelf", "", ""},
		"mounted already":           {func(b *bench) {}, "", "", ""},
		"an order's matter":         {func(b *bench) { b.unmounted(); b.call.Ordered = &guard.Ordered{} }, "", "", ""},
		"another guest has it":      {func(b *bench) { b.unmounted(); b.aside(b.reel) }, "", "", ""},
		"a stranger that named it":  {func(b *bench) { b.unmounted(); b.borrower("other", b.reel) }, "/dev/nvme0n1p2 /srv/shelf", "", ""},
		"a guest of something else": {func(b *bench) { b.unmounted(); b.borrower("other", b.never) }, "", "", ""},
		"without a driver yet": {func(b *bench) { b.unmounted(); b.aside(b.reel); b.Function(b.reel).Driver = "" },
			"", "controller reel is not back", ""},
		"a card that the host has no driver for": {func(b *bench) {
			card := b.Card(b.never, "")
			b.rules.Controllers = append(b.rules.Controllers, guard.Controller{Identity: b.Identity("card", card)})
			b.borrower("other", card)
		}, "", "", ""},
		"a card that had a driver":         {func(b *bench) { b.Function(b.lentCard(nil)).Driver = "" }, "", "of controller card has no driver, and had e1000e before", ""},
		"a card that had none and has one": {func(b *bench) { b.lentCard(undriven); b.Survey.Functions[len(b.Survey.Functions)-1].Driver = "snd_x" }, "", "", "has the driver snd_x, and had none before"},
		"a card that had none":             {func(b *bench) { b.lentCard(undriven) }, "", "", ""},
		"a card with another driver":       {func(b *bench) { b.Function(b.lentCard(nil)).Driver = "igb" }, "", "", "of controller card has the driver igb, and had e1000e before"},
		"a card whose driver is not known": {func(b *bench) {
			f := b.Function(b.lentCard(nil))
			f.Driver, f.Gaps = "", []facts.Gap{{Fact: "driver", Path: "/sys/devices/pci0000:00/" + f.Address.String() + "/driver", Reason: "input/output error"}}
		}, "", "controller card is not known", ""},
		"a card whose interface is not there yet": {func(b *bench) {
			f := b.Function(b.lentCard(withInterface))
			f.Class, f.Interfaces = 0x088000, nil // one of another class may have its interface in another namespace
		}, "", "network interface eth3 of ", ""},
		"a card whose interface has another name": {func(b *bench) {
			b.Function(b.lentCard(withInterface)).Interfaces = []facts.Interface{{Name: "eth4"}}
		}, "", "", ""},
		"a storage controller with its disks under other names": {func(b *bench) {
			b.lentCard(b.disks("wwn-0x50014ee2b5c3f2a1", ""))
			b.Survey.Blocks[len(b.Survey.Blocks)-1].Name = "sdz"
		}, "", "", ""},
		"a storage controller without one of its disks": {func(b *bench) {
			b.lentCard(b.disks("wwn-0x50014ee2b5c3f2a1", "ata-SPOOL_77"))
			b.Survey.Blocks = slices.DeleteFunc(b.Survey.Blocks, func(block facts.Block) bool { return block.Name == "sda" })
		}, "", "disk wwn-0x50014ee2b5c3f2a1 of ", ""},
		"a storage controller without one that says nothing of itself": {func(b *bench) {
			b.lentCard(b.disks("", "ata-SPOOL_77"))
			b.Survey.Blocks = slices.DeleteFunc(b.Survey.Blocks, func(block facts.Block) bool { return block.Name == "sda" })
		}, "", "has 1 disk, and had 2 before", ""},
		"a display without its frame buffer": {func(b *bench) {
			b.Function(b.lentCard(func(f *facts.Function) { f.Shows = []string{"drm", "graphics", "tpm"} })).Shows = []string{"drm", "hwmon"}
		}, "", "frame buffer, tpm device of ", ""},
		"a card that was up": {func(b *bench) {
			b.Function(b.lentCard(configured)).Interfaces = []facts.Interface{{Name: "eth3"}}
		}, "", "is down, without 2001:db8::2/64, default route, route 2001:db8:7::/48 via fe80::1, br0 that it had; networkctl reconfigure eth3, ifup eth3 or nmcli device connect eth3, whichever", ""},
		"a card that got less than it had": {func(b *bench) {
			f := b.Function(b.lentCard(configured))
			f.Interfaces = slices.Clone(f.Interfaces)
			f.Interfaces[0].Default, f.Interfaces[0].Built = false, nil
		}, "", "of controller card is up, without default route, br0 that it had; ", ""},
		"a card as it was, with other passing addresses": {func(b *bench) {
			f := b.Function(b.lentCard(configured))
			f.Interfaces = slices.Clone(f.Interfaces)
			f.Interfaces[0].Addresses, f.Interfaces[0].Passing = []string{"2001:db8::2/64", "2001:db8::77/64"}, []string{"2001:db8::77/64"}
		}, "", "", ""},
		"not live yet": {func(b *bench) { b.unmounted(); b.Function(b.reel).NVMe.State = "connecting" }, "", "is not back", ""},
		"namespaces not scanned yet": {func(b *bench) {
			b.unmounted()
			nvme := *b.Function(b.reel).NVMe
			nvme.Namespaces = nil
			b.Function(b.reel).NVMe = &nvme
		}, "", "the drive of controller reel has not appeared", ""},
		"partitions not scanned yet": {func(b *bench) {
			b.unmounted()
			b.Survey.Blocks = slices.DeleteFunc(b.Survey.Blocks, func(block facts.Block) bool { return block.Whole == "nvme0n1" })
		}, "", "has not appeared", ""},
		"udev has no record yet": {func(b *bench) {
			b.unmounted()
			b.Block("nvme0n1p2").Gaps = []facts.Gap{{Fact: "signature", Path: "/run/udev/data/b259:1", Reason: "udev has no record of it"}}
		}, "", "has not appeared", ""},
		"another filesystem": {func(b *bench) { b.unmounted(); b.Block("nvme0n1p2").Signature.Kind = "ntfs" }, "", "", "it holds ntfs, by the rules xfs"},
		"a volume group now": {func(b *bench) {
			b.unmounted()
			b.Block("nvme0n1p2").Signature = &facts.Signature{Kind: "LVM2_member", Usage: "raid"}
		}, "", "", "it holds LVM2_member"},
		"another partition of that name": {func(b *bench) { b.unmounted(); b.Block("nvme0n1p2").Partition.ID = "new" }, "", "", "it has the id new"},
		"something else at its place":    {func(b *bench) { b.unmounted(); b.Mount("nvme1n1p1", "/srv/shelf") }, "", "", "/dev/nvme1n1p1 is mounted at /srv/shelf"},
		"mounted elsewhere":              {func(b *bench) { b.unmounted(); b.Mount("nvme0n1p2", "/mnt") }, "", "", "mount /mnt"},
		"another guest was granted it":   {func(b *bench) { b.unmounted(); b.call.Granted = []guard.Grant{{Address: b.reel, Guest: "second"}} }, "", "", ""},
		"left dirty": {func(b *bench) {
			b.unmounted()
			b.shelf.Condition, b.shelf.Why = facts.Dirty, "its log is not empty"
		}, "", "", "not left clean: its log is not empty"},
		"a sleeping system's": {func(b *bench) { b.unmounted(); b.shelf.Condition = facts.Hibernated }, "", "", "a system that sleeps"},
		"marks that nobody understands": {func(b *bench) {
			b.unmounted()
			b.shelf.Condition, b.shelf.Gap = facts.UnsureIfClean, "input/output error"
		}, "", "", "not known: input/output error"},
		"its bytes are another filesystem's": {func(b *bench) {
			b.unmounted()
			b.shelf.Signature = &facts.Signature{Kind: "ext4", Usage: "filesystem"}
		}, "", "", "udev has xfs, its bytes say ext4"},
		"the drive is one of a mirror": {func(b *bench) {
			b.unmounted()
			b.whole = &facts.Signature{Kind: "isw_raid_member", Usage: "raid"}
		}, "", "", "marked as isw_raid_member"},
		"what is on the drive could not be read": {func(b *bench) { b.unmounted(); b.shelf = &facts.Volume{Number: 9} }, "", "", "not in the table"},
		"another drive came back":                {func(b *bench) { b.unmounted(); b.Function(b.reel).NVMe.Model = "Other" }, "", "", "QEMU NVMe Ctrl by the rules"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.change(b)
			made := guard.After(b.rules, b.index(), b.call)
			assert.Equal(t, made, sameAfter(t, b.rules, b.index().Survey, b.call))
			var mounts []string
			for _, m := range made.Mount {
				mounts = append(mounts, m.Device+" "+m.Path)
			}
			assert.Equal(t, c.mount, strings.Join(mounts, ", "))
			for _, m := range made.Wait {
				assert.Contains(t, []string{"reel", "card"}, m.Controller.Controller)
				assert.Equal(t, 30*time.Second, m.Within)
			}
			for text, list := range map[string][]string{c.wait: made.Waits(), c.wrong: made.Words()} {
				if text == "" {
					continue
				}
				assert.Contains(t, strings.Join(list, "\n"), text)
			}
			assert.Equal(t, c.wait != "", len(made.Wait) > 0, made.Wait)
			assert.Equal(t, c.wrong != "", len(made.Words()) > 0, made.Words())
		})
	}
}

// lentCard has the rules lend a card as it is at home, and the call be of its guest.
func (b *bench) lentCard(as func(*facts.Function)) facts.Address {
	at := b.Card(b.never, "e1000e")
	if as != nil {
		as(b.Function(at))
	}
	card := b.Identity("card", at)
	b.rules.Controllers = append(b.rules.Controllers, guard.Controller{Identity: card, Within: 30 * time.Second, Shown: guard.ShownBy(facts.NewIndex(&b.Survey), card)})
	b.borrower("other", at)
	return at
}

func undriven(f *facts.Function) { f.Driver = "" }

func configured(f *facts.Function) {
	f.Interfaces = []facts.Interface{{Name: "eth3", Up: true, Addresses: []string{"2001:db8::2/64", "2001:db8::abcd/64", "fe80::2/64"}, Passing: []string{"2001:db8::abcd/64"}, Default: true,
		Routes: []string{"2001:db8:7::/48 via fe80::1"}, Built: []facts.Built{{Name: "br0", On: "eth3", Kind: "bridge"}, {Name: "macvtap0", On: "eth3", Kind: "macvlan"}}}}
}

func withInterface(f *facts.Function) { f.Interfaces = []facts.Interface{{Name: "eth3"}} }

// disks has a function be a storage controller with disks of those names by udev.
func (b *bench) disks(ids ...string) func(*facts.Function) {
	return func(f *facts.Function) {
		f.Class = 0x010601
		for i, id := range ids {
			disk := facts.Block{Name: "sd" + string(rune('a'+i)), Devno: facts.Devno{Major: 8, Minor: uint32(16 * i)}, Controller: &f.Address, Signature: &facts.Signature{Kind: "ext4"}}
			if id != "" {
				disk.Links = []string{"disk/by-path/x", "disk/by-id/" + id}
			}
			b.Survey.Blocks = append(b.Survey.Blocks, disk)
		}
	}
}

// What is no alarm, but the operator's or the host's own matter, is told.
func TestLeftToTheOperator(t *testing.T) {
	b := newBench(t)
	at := b.lentCard(withInterface)
	left := guard.After(b.rules, b.index(), b.call).Left
	require.Len(t, left, 1)
	assert.Contains(t, left[0], "network interface eth3 of "+at.String()+" of controller card is down, and the rules have never seen it otherwise; if the host is to have it: networkctl")
	b.Function(at).Interfaces[0].Up = true
	assert.Empty(t, guard.After(b.rules, b.index(), b.call).Left)
	b.Function(at).Interfaces[0].Name = "eth4"
	assert.Contains(t, strings.Join(guard.After(b.rules, b.index(), b.call).Left, "\n"), "network interface eth3 of "+at.String()+" of controller card has another name now, of eth4")
	b.Function(at).Shows = []string{"drm", "graphics"}
	assert.Contains(t, strings.Join(guard.After(b.rules, b.index(), b.call).Left, "\n"), "no console is on the frame buffer of "+at.String()+" of controller card; if the host is to have it there: echo 1 into bind")
	b.Function(at).Attached = []facts.Attached{{Name: "fb0", Class: "graphics", Shows: facts.ShowsConsole}}
	assert.NotContains(t, strings.Join(guard.After(b.rules, b.index(), b.call).Left, "\n"), "no console")
	b.rules.Controllers[len(b.rules.Controllers)-1].Shown = nil
	assert.Equal(t, []string{"whether " + at.String() + " of controller card is as it was is not known: the rules have not seen it with a driver that it comes back with"}, guard.After(b.rules, b.index(), b.call).Left)
}

// Without rules only guests that borrow a PCI function are refused.
func TestBlind(t *testing.T) {
	b := newBench(t)
	assert.Contains(t, guard.Blind(b.call, errors.New("they are torn")).Refuse, "they are torn")
	b.borrower("other")
	assert.Empty(t, guard.Blind(b.call, errors.New("they are torn")).Refuse)
}

// What the rules learnt at home stays while the controller is lent.
func TestRulesAreTheSameAtHomeAndAway(t *testing.T) {
	b := newBench(t)
	home := b.rules.Encode()
	require.Contains(t, home, "QEMU NVMe Ctrl")
	require.Contains(t, home, `"partition_id": "00000000-`)
	assert.Equal(t, home, order.CompileRules(b.laid(t)).Encode(), "the same bytes each time")

	b.Survey.Guard.Rules = home
	b.unmounted()
	b.aside(b.reel)
	b.Run("grading")
	assert.Equal(t, home, order.CompileRules(b.laid(t)).Encode())
	assert.True(t, current(home, order.CompileRules(b.laid(t))))

	b.Survey.Guard.Rules = ""
	away := order.CompileRules(b.laid(t)).Encode()
	assert.NotEqual(t, home, away)
	assert.True(t, current(away, order.CompileRules(newBench(t).laid(t))), "what was learnt since makes no order")
	assert.False(t, current("", order.CompileRules(b.laid(t))))
}

func current(installed string, wanted guard.Rules) bool {
	now, ok := guard.Current(installed, wanted)
	return ok && now.Encode() == installed
}

// What could not be read is never as it was.
func TestGapsAreNotAsItWas(t *testing.T) {
	for fact, want := range map[string]string{facts.GapInterfaces: "of controller card is as it was is not known: /sys/x: input/output error", facts.GapBelow: "graphics of 0000:03:01.0 of controller card has not appeared: /sys/x: input/output error"} {
		b := newBench(t)
		f := b.Function(b.lentCard(func(f *facts.Function) { configured(f); f.Shows = []string{"drm"} }))
		assert.Empty(t, guard.After(b.rules, b.index(), b.call).Wait)
		f.Gaps = []facts.Gap{{Fact: fact, Path: "/sys/x", Reason: "input/output error"}}
		if fact == facts.GapBelow {
			f.Shows = nil
		}
		assert.Contains(t, strings.Join(guard.After(b.rules, b.index(), b.call).Waits(), "\n"), want)
	}
}

// What the host's configuration gave an interface is kept from when it was last seen,
// since before a lend it has nothing of it; what it gets anew takes its place.
func TestWhatAnInterfaceHadIsRecalled(t *testing.T) {
	b := newBench(t)
	at := b.Network("eth3")
	films := invented.Guest("films", "card")
	films.Boots = nil
	layout := invented.Layout([]spec.Controller{invented.NetworkController("card")}, []spec.Guest{films})
	compiled := func(seen ...facts.Interface) guard.Rules {
		b.Function(at).Interfaces = seen
		rules := order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
		again, err := guard.Decode(rules.Encode())
		require.NoError(t, err)
		require.Equal(t, rules, again)
		return rules
	}
	down := facts.Interface{Name: "eth3"}
	assert.Equal(t, []guard.Card{{Name: "eth3"}}, compiled(down).Controllers[0].Shown[0].Interfaces)
	f := facts.Function{}
	configured(&f)
	home := compiled(f.Interfaces...)
	assert.Equal(t, []guard.Card{{Name: "eth3", Up: true, Addresses: []string{"2001:db8::2/64"}, Default: true, Routes: []string{"2001:db8:7::/48 via fe80::1"}, Built: []string{"br0"}}}, home.Controllers[0].Shown[0].Interfaces)
	assert.Contains(t, strings.Join(home.Sentences(), "\n"), "the network interfaces eth3, eth3 up with 2001:db8::2/64 and default route and route 2001:db8:7::/48 via fe80::1 and br0 by the host's own configuration")
	b.Survey.Guard.Rules = home.Encode()
	assert.Equal(t, home, compiled(down))
	b.aside(at)
	assert.Equal(t, home, compiled())
	b.Function(at).Driver = "igb"
	other := compiled(facts.Interface{Name: "eth3", Up: true, Addresses: []string{"192.0.2.7/24"}})
	assert.Equal(t, []guard.Card{{Name: "eth3", Up: true, Addresses: []string{"192.0.2.7/24"}}}, other.Controllers[0].Shown[0].Interfaces)
	assert.True(t, current(home.Encode(), other), "addresses alone make no order")
	assert.False(t, current(home.Encode(), compiled(facts.Interface{Name: "eth4"})))
	b.Function(at).Driver = "other"
	assert.Equal(t, []guard.Card{{Name: "eth3"}}, compiled(down).Controllers[0].Shown[0].Interfaces, "what another driver had says nothing")
}
