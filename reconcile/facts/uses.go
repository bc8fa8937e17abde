package facts

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// UseKind says what sort of use is made of a drive.
type UseKind string

// The kinds of use, from the host's own system to what only might use it.
const (
	UseSystem  UseKind = "host system" // the host's own root, /boot or ESP
	UseMount   UseKind = "mount"
	UseSwap    UseKind = "swap"
	UseHolder  UseKind = "holder" // assembled into a device that nothing uses yet
	UseGuest   UseKind = "guest"  // a guest's disk or an image that one is based on
	UsePool    UseKind = "pool"
	UseNetwork UseKind = "network interface"
	UseSession UseKind = "session"      // somebody is logged in over it, perhaps who gives the order
	UseConsole UseKind = "console"      // where the host shows what it says, or takes what is typed
	UseDevice  UseKind = "device"       // a driver of the host's has what is plugged in, or is below
	UseRemote  UseKind = "remote drive" // one that the host reaches through it, over a network or Fibre Channel
	UseProcess UseKind = "process"      // it has a device open, or mounted where the host does not see it
	UseUnknown UseKind = "unknown"
)

// Use is one user of a drive and the way from the controller to it.
type Use struct {
	Kind  UseKind
	User  string   // "/srv/shelf", "catalogue", "vg0-root"
	Chain []string // controller, drive, partition, ... the last device before the user
	Mount *Mount   // the mount it goes through, if any
	Live  bool     // in use now; false for the disk of a guest that is off, or an inactive pool
	More  string   // what else is known of it, "192.0.2.7/24, default route"; comes and goes
}

// String tells the use with its path, for findings.
func (u Use) String() string {
	return strings.Join(u.Chain, " > ") + " > " + string(u.Kind) + " " + u.User
}

// Told is String with what else is known of it.
func (u Use) Told() string {
	if u.More == "" {
		return u.String()
	}
	return u.String() + " (" + u.More + ")"
}

// Loss says what becomes of the user when the function goes.
func (u Use) Loss() string {
	switch u.Kind {
	case UseNetwork:
		return "connections over it end, and nothing brings the interface up again or gives it its addresses when the controller is back"
	case UseSession:
		return "whoever gave the order would be cut off in the middle of it"
	case UseConsole:
		return "whoever sits at it sees nothing more of the host until the controller is back, and the kernel may hang as its driver lets go"
	case UseDevice:
		return "it is gone for the host as long as the controller is lent"
	}
	return "what is written afterwards is lost although it seems to succeed"
}

// Through tells whether a use is reached through the mount at a place.
func (u Use) Through(place string) bool { return slices.Contains(u.Chain, place) }

// fileUse is somebody's use of a file on a mount.
type fileUse struct {
	kind  UseKind
	user  string
	file  string
	live  bool
	loop  *Block // a loop device: the use goes on there
	mount *Mount // a filesystem made of it: likewise
}

// directUse is somebody's use of a device itself.
type directUse struct {
	kind  UseKind
	user  string
	live  bool
	mount *Mount // a filesystem made of it: the use goes on there
}

// addUsers notes who uses files and devices: swap areas, loop devices, guests
// with every image below theirs, pools.
func (ix *Index) addUsers() {
	for _, s := range ix.Survey.Swaps {
		if s.File {
			ix.addOpen(s.Path, fileUse{kind: UseSwap, user: s.Path, live: true})
		} else {
			ix.addDirect(s.Path, directUse{UseSwap, s.Path, true, nil})
		}
	}
	for i := range ix.Survey.Blocks {
		if b := &ix.Survey.Blocks[i]; b.BackingFile != "" {
			ix.addSource(b.BackingFile, fileUse{loop: b, user: b.Name, kind: UseHolder, live: true})
		}
	}
	for i := range ix.Survey.Libvirt.Guests {
		ix.addGuest(&ix.Survey.Libvirt.Guests[i])
	}
	for _, p := range ix.Survey.Libvirt.Pools {
		if p.Target != "" && p.Kind != "logical" && p.Kind != "disk" {
			ix.addFile(p.Target, fileUse{kind: UsePool, user: p.Name, live: false})
		}
		for _, source := range p.Sources {
			ix.addDirect(source, directUse{UsePool, p.Name, p.Active, nil})
		}
	}
}

// addChain notes a path, and if that is an image all images it is based on.
func (ix *Index) addChain(named string, g *Guest) {
	use := fileUse{kind: UseGuest, user: g.Name, live: g.Running}
	for range maxChain {
		ix.addSource(named, use)
		ix.addBelow(named, use)
		p := ix.paths[named]
		if p == nil || p.Backing == "" {
			return
		}
		named = p.Backing
	}
}

// addBelow notes the use of everything that is mounted in a folder.
func (ix *Index) addBelow(folder string, use fileUse) {
	use.file = folder
	for _, m := range ix.MountsBelow(path.Clean(ix.resolved(folder))) {
		ix.files[m] = append(ix.files[m], use)
	}
}

// addSource notes the use of something that may be a device or a file.
func (ix *Index) addSource(named string, use fileUse) {
	if b := ix.Device(named); b != nil {
		if use.loop == nil {
			ix.direct[b.Name] = append(ix.direct[b.Name], directUse{use.kind, use.user, use.live, nil})
			return
		}
		ix.direct[b.Name] = append(ix.direct[b.Name], directUse{UseHolder, use.user, true, nil})
		return
	}
	if use.loop != nil {
		ix.addOpen(named, use)
		return
	}
	ix.addFile(named, use)
}

// addOpen notes the use of a file that the kernel itself has open, by the path
// that it has now. One that was deleted still lies on the filesystem of its folder:
// the kernel appends to its name only.
func (ix *Index) addOpen(named string, use fileUse) {
	if ix.astray(named) {
		ix.unplaced = append(ix.unplaced, use.user+" is on "+named+", which is not there any more")
		return
	}
	ix.addFile(named, use)
}

func (ix *Index) addFile(named string, use fileUse) {
	use.file = named
	if m := ix.Holding(named); m != nil {
		ix.files[m] = append(ix.files[m], use)
	}
}

func (ix *Index) addDirect(named string, use directUse) {
	if b := ix.Device(named); b != nil {
		ix.direct[b.Name] = append(ix.direct[b.Name], use)
	}
}

// Uses lists every use of a function and its drives, at any depth: partitions,
// holders, filesystems, swap, files in use on those filesystems, loop devices
// on such files, guests, pools. What cannot be told apart from use counts as
// use (UseUnknown).
func (ix *Index) Uses(at Address) []Use {
	walk := usesWalk{ix: ix, at: at, seen: map[string]bool{}, over: map[*Mount]bool{}}
	f := ix.functions[at]
	if f == nil {
		return nil
	}
	for _, drive := range ix.tops[at] {
		walk.block(drive, []string{at.String()})
	}
	walk.parent(f)
	walk.reaches(f)
	if ix.heldPerhaps(at) {
		for _, text := range ix.unplaced {
			walk.add(Use{Kind: UseUnknown, User: text, Chain: []string{at.String()}, Live: true})
		}
	}
	walk.attached(f)
	walk.shares(f)
	walk.network(f)
	walk.silent(f)
	return walk.uses
}

// heldPerhaps tells whether a use that nobody can place may be one of a
// function's drives. The kernel keeps a filesystem alive that any of them is on,
// and with it holds the device, so one that it says nobody holds is not meant.
func (ix *Index) heldPerhaps(at Address) bool {
	perhaps := func(b *Block) bool { return b.Exclusive != HeldByNobody }
	return slices.ContainsFunc(ix.tops[at], func(drive *Block) bool {
		return perhaps(drive) || slices.ContainsFunc(ix.parts[drive.Name], perhaps)
	})
}

type usesWalk struct {
	ix   *Index
	at   Address
	seen map[string]bool
	over map[*Mount]bool // mounts that were met on others
	uses []Use
}

func (w *usesWalk) add(use Use) { w.uses = append(w.uses, use) }

func (w *usesWalk) block(b *Block, above []string) {
	if w.seen[b.Name] {
		return
	}
	w.seen[b.Name] = true
	chain := append(above[:len(above):len(above)], b.title())
	for _, m := range w.ix.mountsOf[b.Name] {
		w.mount(m, chain)
	}
	for _, d := range w.ix.direct[b.Name] {
		if d.mount != nil {
			w.stacked(d.mount, chain)
			continue
		}
		w.add(Use{Kind: d.kind, User: d.user, Chain: chain, Live: d.live})
	}
	w.held(b, chain)
	for _, part := range w.ix.parts[b.Name] {
		w.block(part, chain)
	}
	for _, name := range b.Holders {
		w.holder(name, chain)
	}
	w.doubt(b, chain) // beside a use that is known there may be another
}

// holder follows a device built on this one; where it has no user of its own
// it still holds the drive, since it is assembled.
func (w *usesWalk) holder(name string, chain []string) {
	before := len(w.uses)
	b := w.ix.blocks[name]
	if b == nil {
		w.add(Use{Kind: UseUnknown, User: name + ", of which nothing else is known", Chain: chain, Live: true})
		return
	}
	w.block(b, chain)
	if len(w.uses) == before {
		w.add(Use{Kind: UseHolder, User: b.title(), Chain: chain, Live: true})
	}
}

// system tells a mount of the host's own system.
func (m *Mount) system() bool {
	switch m.Path {
	case "/", "/boot", "/boot/efi", "/efi", "/usr", "/var":
		return m.Elsewhere == ""
	}
	return false
}

// mount is a use by itself, and so is each file in use on it, each filesystem
// made of what is on it, and each mount at its place or below: while one is there
// the kernel does not let go of it, or another is found where it was. What is
// below the host's own system is none of it: the system is never lent.
func (w *usesWalk) mount(m *Mount, chain []string) {
	if m.Elsewhere != "" {
		w.add(Use{Kind: UseProcess, User: m.Elsewhere + ", which has it mounted at " + m.Path + " in another mount namespace", Chain: chain, Live: true})
		return
	}
	kind := UseMount
	if m.system() {
		kind = UseSystem
	}
	w.add(Use{Kind: kind, User: m.Path, Chain: chain, Mount: m, Live: true})
	through := append(chain[:len(chain):len(chain)], m.Path)
	for _, f := range w.ix.files[m] {
		if f.loop != nil {
			w.holder(f.loop.Name, append(through[:len(through):len(through)], f.file))
			continue
		}
		if f.mount != nil {
			w.stacked(f.mount, append(through[:len(through):len(through)], f.file))
			continue
		}
		w.add(Use{Kind: f.kind, User: f.user, Chain: append(through[:len(through):len(through)], f.file), Mount: m, Live: f.live})
	}
	if kind == UseSystem {
		return
	}
	for _, list := range [][]*Mount{w.ix.MountsAt(m.Path), w.ix.MountsBelow(m.Path)} {
		for _, other := range list {
			if other != m && !w.own(other) {
				w.stacked(other, through)
			}
		}
	}
}

// own tells a mount of the function's own drives, which is met at its device.
func (w *usesWalk) own(m *Mount) bool {
	b := w.ix.byDevno[m.Devno]
	return b != nil && b.Controller != nil && *b.Controller == w.at
}

// stacked goes on with a mount that is on another, once.
func (w *usesWalk) stacked(m *Mount, chain []string) {
	if w.over[m] {
		return
	}
	w.over[m] = true
	w.mount(m, chain)
}

// doubt adds a use where a device may have one that was not seen. The kernel does
// not show which devices a ZFS pool is made of, so while the module is loaded a
// member counts as used; a gap counts too.
func (w *usesWalk) doubt(b *Block, chain []string) {
	if b.Signature != nil && b.Signature.Kind == "zfs_member" && w.ix.Survey.Machine.ZFS {
		w.add(Use{Kind: UseUnknown, User: "ZFS pool " + b.Signature.Label + ", which may be imported", Chain: chain, Live: true})
	}
	for _, gap := range b.Gaps {
		w.add(Use{Kind: UseUnknown, User: fmt.Sprintf("%s not readable at %s: %s", gap.Fact, gap.Path, gap.Reason), Chain: chain, Live: true})
	}
}

func (b *Block) title() string {
	switch {
	case b.Mapper != nil:
		return b.Name + " (" + b.Mapper.Name + ")"
	case b.Partition != nil && b.Partition.Name != "":
		return b.Name + " (" + b.Partition.Name + ")"
	default:
		return b.Name
	}
}

// Definitions gives the kept and the live definition, those that exist.
func (g *Guest) Definitions() []*Definition {
	var list []*Definition
	if g.Live != nil {
		list = append(list, g.Live)
	}
	if g.Kept != nil {
		list = append(list, g.Kept)
	}
	return list
}
