package facts

import (
	"path"
	"slices"
	"strings"
)

// Piece is a piece of the host's storage that a definition uses: a disk, or an
// image that one is based on, by whatever name.
type Piece struct {
	Target    string // "vda"
	Kind      string // of the disk, "file"; "reach" for what the definition names elsewhere
	Named     string // path, as the definition or an image's header has it
	Writes    bool
	Shareable bool
	Same      string   // the same for every name of the same thing
	On        []string // Same, and that of everything that it lies on
}

// Storage lists what a definition uses of the host's storage, every image below
// another included. Folders are not in it: they are made for sharing.
func (ix *Index) Storage(d *Definition) []Piece {
	var list []Piece
	add := func(p Piece) {
		if !path.IsAbs(p.Named) {
			return
		}
		p.Same = ix.Same(p.Named)
		if !slices.ContainsFunc(list, func(other Piece) bool { return other.Same == p.Same && other.Writes == p.Writes }) {
			p.On = ix.on(p.Named)
			list = append(list, p)
		}
	}
	for _, disk := range d.Disks {
		if disk.Kind == "dir" || disk.Kind == KindShim {
			continue
		}
		named := ix.SourceOf(disk)
		add(Piece{Target: disk.Target, Kind: disk.Kind, Named: named, Writes: !disk.ReadOnly, Shareable: disk.Shareable})
		for range maxChain {
			p := ix.paths[named]
			if p == nil || p.Backing == "" {
				break
			}
			named = p.Backing
			add(Piece{Target: disk.Target, Kind: disk.Kind, Named: named, Shareable: disk.Shareable})
		}
	}
	for _, r := range d.Reaches {
		if r.Kind == ReachPath && ix.Device(r.Name) != nil {
			add(Piece{Target: r.At, Kind: "reach", Named: r.Name, Writes: !r.ReadOnly})
		}
	}
	return list
}

// maxChain bounds a chain of images: a longer one is a loop or an attack;
// libvirt itself stops at 200.
const maxChain = 64

// SourceOf gives the path of a disk, that of a volume by its pool; empty where
// it has none.
func (ix *Index) SourceOf(d Disk) string {
	if d.Source != "" || d.Kind != "volume" || d.Volume == "" {
		return d.Source
	}
	i := slices.IndexFunc(ix.Survey.Libvirt.Pools, func(p Pool) bool { return p.Name == d.Pool })
	if i < 0 {
		return ""
	}
	named, _ := ix.Survey.Libvirt.Pools[i].PathOf(d.Volume)
	return named
}

// PathOf gives the path of a volume of a pool: below the pool's folder (libvirt
// storage documentation: each kind of pool). It is empty where volumes are on other
// machines; known is false where a pool does not tell where they are.
func (p Pool) PathOf(volume string) (named string, known bool) {
	switch p.Kind {
	case "rbd", "sheepdog", "gluster", "iscsi-direct":
		return "", true
	case "iscsi", "scsi", "mpath": // named by unit or map, shown below by another name
		return "", false
	}
	if p.Target == "" {
		return "", false
	}
	return path.Join(p.Target, volume), true
}

// Same gives a text that is the same for every name of one thing: a block
// device by its number, a file by its place in its filesystem, through links
// and bind mounts.
func (ix *Index) Same(named string) string {
	if b := ix.Device(named); b != nil {
		return b.same()
	}
	file := path.Clean(named)
	if p := ix.paths[named]; p != nil && p.Resolved != "" {
		file = p.Resolved
	}
	m := ix.Holding(file)
	if m == nil {
		return "file " + file
	}
	return "file " + m.Devno.String() + " " + path.Join("/", m.Root, strings.TrimPrefix(file, m.Path))
}

// same names a device by its number; where that is not known by its name, which no
// other of the survey has.
func (b *Block) same() string {
	if !b.Devno.Known() {
		return "device " + b.Name
	}
	return "device " + b.Devno.String()
}

// on gives what something lies on, itself first: a file's filesystem, a
// partition's drive, the devices below a volume, the PCI function.
func (ix *Index) on(named string) []string {
	walk := onWalk{ix: ix}
	walk.named(named)
	return walk.list
}

type onWalk struct {
	ix   *Index
	list []string
}

func (w *onWalk) add(same string) bool {
	if slices.Contains(w.list, same) {
		return false
	}
	w.list = append(w.list, same)
	return true
}

func (w *onWalk) named(named string) {
	if b := w.ix.Device(named); b != nil {
		w.block(b)
		return
	}
	if !w.add(w.ix.Same(named)) {
		return
	}
	if m := w.ix.Holding(named); m != nil {
		for _, b := range w.ix.devicesOf(m) {
			w.block(b)
		}
	}
}

func (w *onWalk) block(b *Block) {
	if !w.add(b.same()) {
		return
	}
	if whole := w.ix.blocks[b.Whole]; whole != nil {
		w.block(whole)
	}
	for _, lower := range w.ix.lowers[b.Name] {
		w.block(lower)
	}
	if b.BackingFile != "" {
		w.named(b.BackingFile)
	}
	if b.Controller != nil {
		w.add(SameFunction(*b.Controller))
	}
}

// devicesOf gives the block devices of a mounted filesystem.
func (ix *Index) devicesOf(m *Mount) []*Block {
	var list []*Block
	if b := ix.byDevno[m.Devno]; b != nil {
		list = append(list, b)
	}
	for _, name := range m.Devices {
		if b := ix.blocks[name]; b != nil && !slices.Contains(list, b) {
			list = append(list, b)
		}
	}
	return list
}

// addStorage notes what block devices are built on, and which files the host
// itself has in use: those of loop devices and swap areas.
func (ix *Index) addStorage() {
	for i := range ix.Survey.Blocks {
		b := &ix.Survey.Blocks[i]
		for _, name := range b.Holders {
			ix.lowers[name] = append(ix.lowers[name], b)
		}
		if b.BackingFile != "" {
			same := ix.Same(b.BackingFile)
			ix.loops[same] = append(ix.loops[same], b)
		}
	}
	for i := range ix.Survey.Swaps {
		if s := &ix.Survey.Swaps[i]; s.File {
			ix.swapFiles[ix.Same(s.Path)] = s
		}
	}
}

// HostUses lists what the host itself does at the moment with a device or file
// that somebody names, whatever lies on it or is built of it included. What
// guests and pools do with it is not in it.
func (ix *Index) HostUses(named string) []Use {
	walk := usesWalk{ix: ix, seen: map[string]bool{}, over: map[*Mount]bool{}}
	if b := ix.Device(named); b != nil {
		walk.block(b, nil)
		ix.wholeUses(&walk, b)
	} else {
		same := ix.Same(named)
		if s := ix.swapFiles[same]; s != nil {
			walk.add(Use{Kind: UseSwap, User: s.Path, Chain: []string{named}, Live: true})
		}
		for _, loop := range ix.loops[same] {
			walk.holder(loop.Name, []string{named})
		}
	}
	return slices.DeleteFunc(walk.uses, func(u Use) bool { return !u.Live || u.Kind == UseGuest || u.Kind == UsePool })
}

// RawUses lists who uses a partition past any filesystem on it at the moment: the
// device itself, or its drive as a whole. Only the kernel's own exclusive claims keep
// a mount from going on beside that; a guest's QEMU, a loop device and whoever just
// has it open make none (measured with Linux 6.1), and two that write one filesystem
// destroy it. Another mount of it is none: the kernel makes one filesystem of both.
func (ix *Index) RawUses(part *Block) []Use {
	walk := usesWalk{ix: ix, seen: map[string]bool{}, over: map[*Mount]bool{}}
	walk.block(part, nil)
	ix.wholeUses(&walk, part)
	if whole := ix.blocks[part.Whole]; whole != nil {
		walk.held(whole, []string{whole.Name})
	}
	return slices.DeleteFunc(walk.uses, func(u Use) bool {
		return !u.Live || len(u.Chain) > 1 || u.Kind == UseMount || u.Kind == UseSystem
	})
}

// wholeUses adds the uses of the drive that a partition is part of as a whole,
// which exclude it (Linux block/bdev.c, bd_prepare_to_claim).
func (ix *Index) wholeUses(walk *usesWalk, part *Block) {
	whole := ix.blocks[part.Whole]
	if whole == nil {
		return
	}
	for _, m := range ix.mountsOf[whole.Name] {
		walk.mount(m, []string{whole.Name})
	}
	for _, name := range whole.Holders {
		walk.holder(name, []string{whole.Name})
	}
	for _, d := range ix.direct[whole.Name] {
		if d.mount != nil {
			walk.stacked(d.mount, []string{whole.Name})
			continue
		}
		walk.add(Use{Kind: d.kind, User: d.user, Chain: []string{whole.Name}, Live: d.live})
	}
}
