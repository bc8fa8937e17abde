package facts

import (
	"cmp"
	"path"
	"slices"
	"strings"
	"sync"

	"lendkeep/spec/pci"
)

// Index answers questions about one survey. It is built once, in time that
// grows with the size of the survey, and never changes; the survey must not
// change while it is in use.
type Index struct {
	Survey    *Survey
	functions map[Address]*Function
	blocks    map[string]*Block
	byDevno   map[Devno]*Block
	byLink    map[string]*Block
	parts     map[string][]*Block // partitions by their drive's name
	tops      map[Address][]*Block
	groups    map[int][]*Function
	below     map[Address][]*Function
	virtuals  map[Address][]*Function // by their parent
	guests    map[string]*Guest
	paths     map[string]*Path
	mountsAt  map[string][]*Mount // by place, the uppermost last
	byPath    []*Mount            // the same, by path
	mountsOf  map[string][]*Mount // by kernel name of the device
	serials   map[string][]*Function
	ofKind    map[[2]pci.ID][]*Function
	ofUnknown []*Function // of which the kind is not known
	holders   map[Address]*Guest
	keepers   map[Address][]*Guest
	records   map[string][]Identity
	files     map[*Mount][]fileUse
	direct    map[string][]directUse
	reached   map[Address][]reachUse // by guests, besides what hangs on it
	carried   map[string][]reachUse  // by guests, through a network interface that is built on others
	somewhere []reachUse             // of which the survey does not say where
	nvmes     map[string]*Function   // NVMe controllers by kernel name
	cards     map[string]*Function   // by the names of their network interfaces
	lowers    map[string][]*Block    // by kernel name: what a device is built on
	loops     map[string][]*Block    // loop devices by what they are on (Same)
	swapFiles map[string]*Swap       // by what they are (Same)
	unplaced  []string               // uses of which nobody can tell what of
	contents  map[string]*Content
	stores    map[string]*VariableStore
	formats   func() map[string][]SaidFormat // computed when it is first asked for
}

// NewIndex builds the index of a survey.
func NewIndex(survey *Survey) *Index {
	ix := &Index{
		Survey:    survey,
		functions: make(map[Address]*Function, len(survey.Functions)),
		blocks:    make(map[string]*Block, len(survey.Blocks)),
		byDevno:   make(map[Devno]*Block, len(survey.Blocks)),
		byLink:    map[string]*Block{},
		parts:     map[string][]*Block{},
		tops:      map[Address][]*Block{},
		groups:    map[int][]*Function{},
		below:     map[Address][]*Function{},
		virtuals:  map[Address][]*Function{},
		guests:    make(map[string]*Guest, len(survey.Libvirt.Guests)),
		paths:     make(map[string]*Path, len(survey.Paths)),
		mountsAt:  make(map[string][]*Mount, len(survey.Mounts)),
		mountsOf:  map[string][]*Mount{},
		serials:   map[string][]*Function{},
		ofKind:    map[[2]pci.ID][]*Function{},
		holders:   map[Address]*Guest{},
		keepers:   map[Address][]*Guest{},
		records:   map[string][]Identity{},
		files:     map[*Mount][]fileUse{},
		direct:    map[string][]directUse{},
		reached:   map[Address][]reachUse{},
		carried:   map[string][]reachUse{},
		nvmes:     map[string]*Function{},
		cards:     map[string]*Function{},
		lowers:    map[string][]*Block{},
		loops:     map[string][]*Block{},
		swapFiles: map[string]*Swap{},
		contents:  make(map[string]*Content, len(survey.Contents)),
		stores:    make(map[string]*VariableStore, len(survey.Stores)),
	}
	ix.addFunctions()
	ix.addBlocks()
	ix.addGuests()
	for i := range survey.Paths {
		ix.paths[survey.Paths[i].Named] = &survey.Paths[i]
	}
	for i := range survey.Contents {
		ix.contents[survey.Contents[i].Of] = &survey.Contents[i]
	}
	for i := range survey.Stores {
		ix.stores[survey.Stores[i].Path] = &survey.Stores[i]
	}
	ix.addMounts()
	ix.addStorage()
	ix.addStacked()
	ix.addUsers()
	ix.formats = sync.OnceValue(ix.saidFormats)
	return ix
}

func (ix *Index) addFunctions() {
	for i := range ix.Survey.Functions {
		f := &ix.Survey.Functions[i]
		ix.functions[f.Address] = f
		if !f.KindKnown() {
			ix.ofUnknown = append(ix.ofUnknown, f)
		}
		kind := [2]pci.ID{f.Vendor, f.Device}
		ix.ofKind[kind] = append(ix.ofKind[kind], f)
		// A virtual function has the serial of the subsystem, which is its parent's (NVM
		// Express Base Specification 2.0, figure 275); it is told by its number.
		if f.NVMe != nil && f.Parent == nil {
			ix.serials[f.NVMe.Serial] = append(ix.serials[f.NVMe.Serial], f)
		}
		if f.NVMe != nil {
			ix.nvmes[f.NVMe.Name] = f
		}
		for _, card := range f.Interfaces {
			ix.cards[card.Name] = f
		}
		if f.Group != nil {
			ix.groups[*f.Group] = append(ix.groups[*f.Group], f)
		}
		if f.Upstream != nil {
			ix.below[*f.Upstream] = append(ix.below[*f.Upstream], f)
		}
		if f.Parent != nil {
			ix.virtuals[*f.Parent] = append(ix.virtuals[*f.Parent], f)
		}
	}
}

// addGuests notes who holds which function and what records say of a
// controller: those of running guests come first, each once.
func (ix *Index) addGuests() {
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		ix.guests[g.Name] = g
		if g.Live == nil {
			continue
		}
		for _, at := range g.Live.Functions() {
			ix.holders[at] = g
		}
		ix.addRecords(g.Live)
	}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		if g.Kept == nil {
			continue
		}
		for _, at := range g.Kept.Functions() {
			ix.keepers[at] = append(ix.keepers[at], g)
		}
		ix.addRecords(g.Kept)
	}
}

func (ix *Index) addRecords(d *Definition) {
	for _, r := range d.Identities {
		if list := ix.records[r.Controller]; !slices.Contains(list, r) {
			ix.records[r.Controller] = append(list, r)
		}
	}
}

func (ix *Index) addBlocks() {
	for i := range ix.Survey.Blocks {
		b := &ix.Survey.Blocks[i]
		ix.blocks[b.Name] = b
		if b.Devno.Known() { // a path to another one, or not known
			ix.byDevno[b.Devno] = b
		}
		ix.byLink["/dev/"+b.Name] = b
		for _, link := range b.Links {
			ix.byLink["/dev/"+strings.TrimPrefix(link, "/dev/")] = b
		}
		switch {
		case b.Whole != "":
			ix.parts[b.Whole] = append(ix.parts[b.Whole], b)
		case b.Controller != nil:
			ix.tops[*b.Controller] = append(ix.tops[*b.Controller], b)
		}
	}
}

func (ix *Index) addMounts() {
	for i := range ix.Survey.Mounts {
		m := &ix.Survey.Mounts[i]
		if m.Elsewhere == "" { // paths of other mount namespaces are not the host's
			ix.mountsAt[m.Path] = append(ix.mountsAt[m.Path], m)
			ix.byPath = append(ix.byPath, m)
		}
		if b := ix.byDevno[m.Devno]; b != nil {
			ix.mountsOf[b.Name] = append(ix.mountsOf[b.Name], m)
		}
		for _, name := range m.Devices {
			if b := ix.blocks[name]; b != nil && b != ix.byDevno[m.Devno] {
				ix.mountsOf[name] = append(ix.mountsOf[name], m)
			}
		}
	}
	slices.SortStableFunc(ix.byPath, func(a, b *Mount) int { return strings.Compare(a.Path, b.Path) })
}

// Function gives the function at that address, or nil.
func (ix *Index) Function(at Address) *Function { return ix.functions[at] }

// Block gives the block device of that kernel name, or nil.
func (ix *Index) Block(name string) *Block { return ix.blocks[name] }

// Guest gives the guest of that name, or nil where libvirt knows none.
func (ix *Index) Guest(name string) *Guest { return ix.guests[name] }

// MountAt gives what is uppermost at exactly that place, or nil.
func (ix *Index) MountAt(place string) *Mount {
	list := ix.mountsAt[place]
	if len(list) == 0 {
		return nil
	}
	return list[len(list)-1]
}

// Drives gives the block devices that hang directly on a function.
func (ix *Index) Drives(at Address) []*Block { return ix.tops[at] }

// Partitions gives the partitions of a drive.
func (ix *Index) Partitions(drive string) []*Block { return ix.parts[drive] }

// PartitionNamed gives the partition of that GPT name on a controller's
// drives; nil when there is none, or more than one, since then none is meant.
func (ix *Index) PartitionNamed(at Address, name string) *Block {
	var found *Block
	for _, drive := range ix.tops[at] {
		for _, part := range ix.parts[drive.Name] {
			if part.Partition == nil || part.Partition.Name != name {
				continue
			}
			if found != nil {
				return nil
			}
			found = part
		}
	}
	return found
}

// Device gives the block device that a path below /dev means, or nil. Where the
// path was seen to lead counts more than that udev gave a device that name: it may
// have given it to two.
func (ix *Index) Device(named string) *Block {
	if p := ix.paths[named]; p != nil && p.Resolved != "" {
		if b := ix.byLink[p.Resolved]; b != nil {
			return b
		}
	}
	return ix.byLink[path.Clean(named)]
}

// Path gives what was seen at survey time of a path that somebody named.
func (ix *Index) Path(named string) *Path { return ix.paths[named] }

// Holding gives the mount that a file lies on: the uppermost one at its
// longest prefix. Nil only where nothing is mounted at all.
func (ix *Index) Holding(file string) *Mount {
	if p := ix.paths[file]; p != nil && p.Resolved != "" {
		file = p.Resolved
	}
	for place := path.Clean(file); ; place = path.Dir(place) {
		if m := ix.MountAt(place); m != nil {
			return m
		}
		if place == "/" || place == "." {
			return nil
		}
	}
}

// Group gives the functions of an IOMMU group, by address.
func (ix *Index) Group(number int) []*Function { return ix.groups[number] }

// Below gives the functions directly below a bridge or port.
func (ix *Index) Below(bridge Address) []*Function { return ix.below[bridge] }

// Siblings gives the other functions of the same slot.
func (ix *Index) Siblings(at Address) []*Function {
	var list []*Function
	for _, sibling := range at.Slotmates() {
		if f := ix.functions[sibling]; f != nil && sibling != at {
			list = append(list, f)
		}
	}
	return list
}

// Virtuals gives the virtual functions that a function has made, as far as they
// were seen.
func (ix *Index) Virtuals(parent Address) []*Function { return ix.virtuals[parent] }

// Upstream gives the bridges and ports above a function, nearest first.
func (ix *Index) Upstream(at Address) []*Function {
	var list []*Function
	for f := ix.functions[at]; f != nil && f.Upstream != nil && len(list) < 32; {
		f = ix.functions[*f.Upstream]
		if f != nil {
			list = append(list, f)
		}
	}
	return list
}

// BySerial gives the functions whose NVMe controller has that serial.
func (ix *Index) BySerial(serial string) []*Function { return ix.serials[serial] }

// Claiming gives the NVMe controllers with the host that say they are the one of
// a record: its serial, and its model where the record has one.
func (ix *Index) Claiming(r Identity) []*Function {
	if r.Model == "" {
		return ix.serials[r.Serial]
	}
	var list []*Function
	for _, f := range ix.serials[r.Serial] {
		if f.NVMe.Model == r.Model {
			list = append(list, f)
		}
	}
	return list
}

// OfKind gives the functions of that vendor and device number.
func (ix *Index) OfKind(vendor, device pci.ID) []*Function {
	return ix.ofKind[[2]pci.ID{vendor, device}]
}

// OfUnknownKind gives the functions of which vendor or device could not be read.
func (ix *Index) OfUnknownKind() []*Function { return ix.ofUnknown }

// Holder gives the running guest that a function is lent to, or nil.
func (ix *Index) Holder(at Address) *Guest { return ix.holders[at] }

// Keepers gives the guests whose kept definition names that address.
func (ix *Index) Keepers(at Address) []*Guest { return ix.keepers[at] }

// Records gives every record that guests' definitions hold of a controller,
// those of running guests first, each once.
func (ix *Index) Records(controller string) []Identity { return ix.records[controller] }

// Sort brings every list of a survey into its canonical sequence.
func (s *Survey) Sort() {
	slices.SortFunc(s.Functions, func(a, b Function) int { return a.Address.Compare(b.Address) })
	slices.SortFunc(s.Blocks, func(a, b Block) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(s.Paths, func(a, b Path) int { return cmp.Compare(a.Named, b.Named) })
	slices.SortFunc(s.Contents, func(a, b Content) int { return cmp.Compare(a.Of, b.Of) })
	slices.SortFunc(s.Asked, func(a, b Installed) int { return cmp.Compare(a.Guest, b.Guest) })
	slices.SortFunc(s.Shims, func(a, b PlacedShim) int { return cmp.Compare(a.Path, b.Path) })
	slices.SortFunc(s.ROMs, func(a, b PlacedROM) int { return cmp.Compare(a.Path, b.Path) })
	slices.SortFunc(s.Libvirt.Guests, func(a, b Guest) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(s.Libvirt.Networks, func(a, b Network) int { return cmp.Compare(a.Name, b.Name) })
	slices.SortFunc(s.Libvirt.Pools, func(a, b Pool) int { return cmp.Compare(a.Name, b.Name) })
}
