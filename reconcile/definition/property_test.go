package definition

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/beevik/etree"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
)

// Few values, so that definitions and wishes often meet.
var (
	someAddress = rapid.Custom(func(t *rapid.T) facts.Address {
		return facts.Address{Bus: uint8(rapid.IntRange(1, 4).Draw(t, "bus"))}
	})
	someName   = rapid.SampledFrom([]string{"reel", "spool", "vda", "hda", "x&y", "it's", "ü"})
	someSource = rapid.SampledFrom([]string{"/srv/shelf/catalogue.qcow2", "/srv/a'b.img", "/dev/vg0/prints", "/dev/b", `/srv/"q" <&>.raw`})
)

// somePlaces gives distinct controllers at distinct addresses.
func somePlaces(t *rapid.T) []facts.Identity {
	at := rapid.SliceOfNDistinct(someAddress, 3, 3, rapid.ID).Draw(t, "addresses")
	screen := facts.Identity{Controller: "screen", Vendor: 0x10de, Device: 0x2484, Address: facts.Address{Segment: 7, Bus: at[2].Bus}}
	screen.Functions[0], screen.Functions[1] = facts.Make{Vendor: 0x10de, Device: 0x2484}, facts.Make{Vendor: 0x10de, Device: 0x228b}
	port := facts.Identity{Controller: "port3", Vendor: 0x8086, Device: 0x10ca, Address: facts.Address{Segment: 8, Bus: at[2].Bus, Slot: 16}}
	port.Virtual = facts.VirtualOf{Controller: "it's", Number: 3, Address: facts.Address{Segment: 8, Bus: at[2].Bus}, Vendor: 0x8086, Device: 0x10c9, Serial: `S "1" & <2>`, Model: "ü"}
	return []facts.Identity{
		screen,
		port,
		{Controller: "reel", Serial: "RL-4410-0073", Vendor: 0x1b36, Device: 0x10, Address: at[0]},
		{Controller: "spool", Serial: `S "1" & <2>`, Vendor: 0x1b36, Device: 0x10, Address: at[1]},
		{Controller: "nic", Vendor: 0x8086, Device: 0x10d3, Address: at[2]},
	}
}

func someBorrows(t *rapid.T, known []facts.Identity) []Borrowed {
	var list []Borrowed
	for _, r := range known {
		if rapid.Bool().Draw(t, "borrows "+r.Controller) {
			list = append(list, Borrowed{Identity: r})
		}
	}
	if len(list) > 0 && rapid.Bool().Draw(t, "boots") {
		b := &list[rapid.IntRange(0, len(list)-1).Draw(t, "which")]
		b.Boots = true
		if rapid.Bool().Draw(t, "by a shim disk") {
			b.Shim = &ShimDisk{rapid.SampledFrom([]string{ourShim, otherShim}).Draw(t, "shim"), rapid.SampledFrom([]string{"virtio", "sata"}).Draw(t, "shim bus")}
		}
	}
	return list
}

// someWanted gives what a layout may state of a guest's machine and loans.
func someWanted(t *rapid.T, name string) Wanted {
	w := Wanted{
		Name:        name,
		CPUs:        rapid.IntRange(0, 8).Draw(t, "cpus"),
		MemoryBytes: rapid.SampledFrom([]uint64{0, 1 << 30, 16 << 30, 12345}).Draw(t, "memory"),
		Known:       somePlaces(t),
	}
	w.Borrows = someBorrows(t, w.Known)
	if rapid.Bool().Draw(t, "states pages") {
		pages := rapid.Bool().Draw(t, "pages")
		w.HugePages = &pages
		if pages && w.MemoryBytes > 0 && w.MemoryBytes%(1<<30) == 0 {
			w.PageBytes = rapid.SampledFrom([]uint64{0, 2 << 20, 1 << 30}).Draw(t, "size of page")
		}
	}
	if w.CPUs > 0 && rapid.Bool().Draw(t, "near") {
		w.Near = &Near{Node: rapid.IntRange(0, 2).Draw(t, "node"), Rest: rapid.SampledFrom([]string{"0", "8-9,0"}).Draw(t, "rest"),
			CPUs: rapid.SliceOfNDistinct(rapid.IntRange(0, 40), w.CPUs, w.CPUs, rapid.ID).Draw(t, "map")}
	}
	return w
}

// someDevices adds disks, cards and firmware.
func someDevices(t *rapid.T, w Wanted) Wanted {
	w.Firmware = rapid.SampledFrom([]string{"", "uefi", "bios", "/usr/share/OVMF/OVMF_CODE_4M.fd"}).Draw(t, "firmware")
	names := rapid.SliceOfNDistinct(someName, 0, 3, rapid.ID).Draw(t, "disk names")
	sources := rapid.SliceOfNDistinct(someSource, 3, 3, rapid.ID).Draw(t, "sources")
	for i, name := range names {
		kind := "file"
		if strings.HasPrefix(sources[i], "/dev/") {
			kind = "block"
		}
		w.Disks = append(w.Disks, Disk{Name: name, Source: sources[i], Kind: kind, Format: "raw",
			Bus: rapid.SampledFrom([]string{"", "virtio", "scsi", "sata"}).Draw(t, "bus")})
	}
	for _, name := range rapid.SliceOfNDistinct(someName, 0, 2, rapid.ID).Draw(t, "card names") {
		n := Network{Name: name, Model: rapid.SampledFrom([]string{"", "virtio", "e1000e"}).Draw(t, "model")}
		n.Bridge = rapid.SampledFrom([]string{"", "br0", "br1"}).Draw(t, "bridge")
		if n.Bridge == "" {
			n.Network = "default"
		}
		w.Networks = append(w.Networks, n)
	}
	return w
}

// someOffers gives some of what libvirt may offer, and what nobody knows.
func someOffers(t *rapid.T) facts.Offers {
	names := []string{"not_known_yet"}
	for _, e := range enlightenments {
		names = append(names, e.name)
	}
	return facts.Offers{
		TPM:    rapid.SliceOfDistinct(rapid.SampledFrom([]string{"tpm-tis", "tpm-crb", "tpm-spapr"}), rapid.ID).Draw(t, "TPM models"),
		HyperV: rapid.SliceOfDistinct(rapid.SampledFrom(names), rapid.ID).Draw(t, "enlightenments"),
		Random: rapid.Bool().Draw(t, "random"),
	}
}

// someDefinition gives a definition of libvirt's or of our own making.
func someDefinition(t *rapid.T, texts map[string]string) (name, xml string) {
	name = rapid.SampledFrom([]string{"l2", "grading", "catalogue", "new"}).Draw(t, "guest")
	if name != "new" {
		xml = texts[name]
	} else {
		w := someDevices(t, someWanted(t, name))
		w.MemoryBytes = max(w.MemoryBytes, 1<<20)
		w.System = rapid.SampledFrom([]string{"", "windows", "linux"}).Draw(t, "system")
		w.Offers = someOffers(t)
		made, _, err := Create(w)
		require.NoError(t, err)
		xml = made
	}
	if rapid.Bool().Draw(t, "edited before") {
		after, _, err := Edit(xml, someWanted(t, name))
		require.NoError(t, err)
		xml = after
	}
	return name, xml
}

func texts(t *testing.T) map[string]string {
	return map[string]string{"l2": sample(t, "l2-kept"), "grading": sample(t, "grading"), "catalogue": sample(t, "catalogue")}
}

func TestEditOnceIsEnoughAndTouchesNothingElse(t *testing.T) {
	texts := texts(t)
	rapid.Check(t, func(t *rapid.T) {
		name, before := someDefinition(t, texts)
		w := someDevices(t, someWanted(t, name))
		after, changes, err := Edit(before, w)
		if refused(t, err) {
			return
		}
		require.Equal(t, len(changes) == 0, after == before)
		becomes, _, err := Become(before, w)
		require.NoError(t, err)
		read, err := Read(after)
		require.NoError(t, err)
		require.Equal(t, read, becomes)
		again, more, err := Edit(after, w)
		require.NoError(t, err)
		require.Empty(t, more)
		require.Equal(t, after, again)
		require.Equal(t, untouched(t, before, w), untouched(t, after, w))
		holdsBorrows(t, after, w)
	})
}

// refused tells whether an edit is refused with what to do instead.
func refused(t require.TestingT, err error) bool {
	if err != nil {
		require.ErrorContains(t, err, "by hand")
	}
	return err != nil
}

func TestTheLastWishCounts(t *testing.T) {
	texts := texts(t)
	rapid.Check(t, func(t *rapid.T) {
		name, before := someDefinition(t, texts)
		first, last := someWanted(t, name), someWanted(t, name)
		last.CPUs, last.MemoryBytes = max(last.CPUs, 1), max(last.MemoryBytes, 1<<20)
		on := true
		last.HugePages = &on
		between, _, err := Edit(before, first)
		require.NoError(t, err)
		throughBoth, _, err := Edit(between, last)
		require.NoError(t, err)
		atOnce, _, err := Edit(before, last)
		require.NoError(t, err)
		require.Equal(t, machine(t, atOnce, last.Known), machine(t, throughBoth, last.Known))
	})
}

// machine tells what is left of a definition's machine and loans when the
// sequence of devices and places in the boot order are disregarded, which a
// wish may leave as they are. Devices that are no controller's of the last
// wish may have been the first one's to remove.
func machine(t *rapid.T, xml string, known []facts.Identity) string {
	d, err := Read(xml)
	require.NoError(t, err)
	var lent []string
	for _, l := range d.Hostdevs {
		if slices.ContainsFunc(known, func(r facts.Identity) bool { return r.Address == l.Address }) {
			lent = append(lent, fmt.Sprint(l.Address, l.Managed))
		}
	}
	slices.Sort(lent)
	return fmt.Sprint(lent, d.Identities, d.MemoryBytes, d.CPUs, d.HugePages)
}

// holdsBorrows demands that the devices of known controllers are exactly those
// borrowed, each managed, the one to start from first, and each noted.
func holdsBorrows(t *rapid.T, xml string, w Wanted) {
	tree, err := parse(xml)
	require.NoError(t, err)
	var d facts.Definition
	require.NoError(t, readRecords(tree.guest, &d))
	lowest := 0
	shims := (&edit{guest: tree.guest}).shims()
	lent := map[facts.Address]int{}
	for _, e := range devicesOf(tree.guest) {
		order, err := orderOf(e)
		require.NoError(t, err)
		if order > 0 && (lowest == 0 || order < lowest) && !slices.Contains(shims, e) {
			lowest = order
		}
		if e.Tag != "hostdev" || !holdsPCI(e) {
			continue
		}
		a, err := addressOf(at(e, "source", "address"))
		require.NoError(t, err)
		lent[a]++
		for _, b := range w.Borrows {
			if b.Identity.Has(a) {
				require.Equal(t, "yes", attr(e, "managed"))
			}
		}
	}
	var records []facts.Identity
	for _, b := range w.Borrows {
		for _, part := range b.Identity.Addresses() {
			require.Equal(t, 1, lent[part])
			delete(lent, part)
		}
		if b.Identity.Whole() {
			require.True(t, InOneSlot(xml, b.Identity.Addresses()), "%s", xml)
		}
		records = append(records, b.Identity)
		if !b.Boots {
			continue
		}
		require.Empty(t, children(child(tree.guest, "os"), "boot"))
		for _, e := range devicesOf(tree.guest) {
			if e.Tag != "hostdev" || !holdsPCI(e) {
				continue
			}
			if a, _ := addressOf(at(e, "source", "address")); a == b.Identity.Address {
				order, err := orderOf(e)
				require.NoError(t, err)
				require.Equal(t, lowest, order)
				holdsShim(t, shims, b.Shim, order)
			}
		}
	}
	for _, r := range w.Known {
		for _, part := range r.Addresses() {
			require.Zero(t, lent[part], "%s is not borrowed", r.Controller)
		}
	}
	require.ElementsMatch(t, records, d.Identities)
}

// holdsShim demands exactly the shim disk that is wanted, before the drive.
func holdsShim(t *rapid.T, shims []*etree.Element, wanted *ShimDisk, drive int) {
	if wanted == nil {
		require.Empty(t, shims)
		return
	}
	require.Len(t, shims, 1)
	require.True(t, wanted.is(shims[0]))
	order, err := orderOf(shims[0])
	require.NoError(t, err)
	require.Positive(t, order)
	require.Less(t, order, drive)
}

// untouched gives the exact text of every part that a wish says nothing of.
func untouched(t *rapid.T, xml string, w Wanted) []string {
	tree, err := parse(xml)
	require.NoError(t, err)
	stated := map[string]bool{"metadata": true, "devices": true}
	if w.MemoryBytes > 0 {
		stated["memory"], stated["currentMemory"] = true, true
	}
	if w.CPUs > 0 {
		stated["vcpu"], stated["cpu"], stated["cputune"] = true, true, true
	}
	if w.Near != nil {
		stated["numatune"] = true
	}
	if w.HugePages != nil {
		stated["memoryBacking"] = true
	}
	boots := slices.ContainsFunc(w.Borrows, func(b Borrowed) bool { return b.Boots })
	if boots || w.Firmware != "" {
		stated["os"] = true
	}
	var list []string
	keep := func(e *etree.Element) {
		var out strings.Builder
		tree.write(&out, e, false)
		list = append(list, out.String())
	}
	for _, e := range tree.guest.ChildElements() {
		if !stated[e.FullTag()] {
			keep(e)
		}
	}
	if metadata := child(tree.guest, "metadata"); metadata != nil {
		for _, e := range metadata.ChildElements() {
			if e.NamespaceURI() != Namespace {
				keep(e)
			}
		}
	}
	for _, e := range devicesOf(tree.guest) {
		if !statedDevice(e, w) && !(boots && child(e, "boot") != nil) {
			keep(e)
		}
	}
	return list
}

func statedDevice(e *etree.Element, w Wanted) bool {
	switch e.FullTag() {
	case "hostdev":
		a, err := addressOf(at(e, "source", "address"))
		return holdsPCI(e) && (err != nil || a.Bus <= 4 && a.Segment == 0 || a.Segment >= 7)
	case "disk":
		return facts.IsShim(diskOf(e).Source) || slices.ContainsFunc(w.Disks, func(d Disk) bool {
			return d.isSourceOf(e) || aliasOf(e) == mark(diskMark, d.Name) || attr(child(e, "target"), "dev") == d.Name
		})
	case "interface":
		return slices.ContainsFunc(w.Networks, func(n Network) bool {
			return whereTo(e) == n.whereTo() || aliasOf(e) == mark(networkMark, n.Name)
		})
	case "controller":
		return attr(e, "type") == "scsi" || attr(e, "model") == "pcie-root-port" && len(e.Child) == 0
	}
	return false
}

func FuzzEdit(f *testing.F) {
	for _, name := range samples {
		f.Add(sample(f, name), uint8(1), uint8(3))
		for _, o := range oddities {
			f.Add(oddly(sample(f, name), o), uint8(4), uint8(0xff))
		}
	}
	f.Fuzz(func(t *testing.T, xml string, bus, wish uint8) {
		name, _, err := Names(xml)
		if err != nil {
			return
		}
		pages := wish&1 != 0
		r := facts.Identity{Controller: "reel", Serial: "R", Address: facts.Address{Bus: bus}}
		w := Wanted{Name: name, CPUs: int(wish % 5), MemoryBytes: uint64(wish) << 20, HugePages: &pages,
			Disks: []Disk{{Name: "a", Source: "/a", Kind: "file", Format: "raw"}}, Networks: []Network{{Name: "n", Bridge: "br0"}},
			Borrows: []Borrowed{{Identity: r, Boots: wish&2 != 0}}}
		if wish&4 != 0 {
			w.Borrows[0].ROM = ours
			w.Borrows[0].Shim = &ShimDisk{ourShim, "virtio"}
		}
		w.Disks[0].Bus = []string{"", "virtio", "scsi", "sata"}[wish>>3&3]
		w.Firmware = []string{"", "uefi", "bios", "/fw.fd"}[wish>>5&3]
		tree, changes, err := apply(xml, w)
		if err != nil {
			return
		}
		require.Empty(t, untold(tree, changes), "of these: %q", changes)
		after := xml
		if len(changes) > 0 {
			after = tree.String()
		}
		again, changes, err := Edit(after, w)
		require.NoError(t, err)
		require.Empty(t, changes)
		require.Equal(t, after, again)
	})
}
