package invented

import (
	"fmt"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// Any draws a host and a layout as Random or as Kinds does.
func Any(t *rapid.T) (facts.Survey, *spec.Layout) {
	if rapid.Bool().Draw(t, "of every kind") {
		return Kinds(t)
	}
	return Random(t)
}

// Kinds draws a host with what Random leaves out, and a layout for it: USB and storage
// controllers and network cards with uses below them, two ports of one card, a drive
// with virtual functions, and guests near what they borrow, in huge pages. Little else
// is wrong with it, so that many an order is planned.
func Kinds(t *rapid.T) (facts.Survey, *spec.Layout) {
	r := random{t: t, b: NewBuilder(), filled: map[facts.Address]bool{}}
	r.b.Reads()
	r.b.Survey.Watch = facts.InstalledWatch{Systemd: true, Program: r.chance(50, "watch")}
	if r.chance(20, "guard drawn") {
		r.guard()
	}
	list := r.kinds()
	r.nodes()
	r.holders(list)
	layout := r.kindsLayout(list)
	r.run()
	r.b.Survey.Sort()
	return r.b.Survey, layout
}

// kind is a controller of the layout.
type kind struct {
	stated   spec.Controller
	record   facts.Identity // what a guest that has it knows it by; none: it is not there
	borrowed bool           // a guest may borrow it
}

func (r *random) kinds() []kind {
	drive := r.b.NVMe("SN-0", "start", "shelf")
	list := []kind{{Controller("reel", "SN-0", "shelf", "/srv/shelf"), r.b.Identity("reel", drive), true}}
	if r.chance(70, "mounted") {
		r.b.Mount("nvme0n1p2", "/srv/shelf")
	}
	add := func(stated spec.Controller, at facts.Address) {
		list = append(list, kind{stated, r.b.Identity(stated.Name, at), true})
	}
	if r.chance(40, "USB") {
		add(byMake("usb", 0x1912, 0x0014), r.usb())
	}
	if r.chance(40, "storage") {
		add(StorageController("disks"), r.storage())
	}
	if r.chance(40, "network") {
		if at := r.network(); r.chance(40, "virtual functions") {
			list = append(list, r.making(NetworkController("card"), at, "igbvf")...)
		} else {
			add(NetworkController("card"), at)
		}
	}
	if r.chance(40, "ports") {
		stated, at := r.ports()
		add(stated[0], at)
		at.Function = 1
		add(stated[1], at)
	}
	if r.chance(40, "drive with virtual functions") {
		at := r.b.NVMe("SN-1", "films")
		if r.chance(30, "films mounted") {
			r.b.Mount("nvme1n1p1", "/srv/films")
		}
		list = append(list, r.making(Controller("drive", "SN-1"), at, "nvme")...)
	}
	for _, k := range list {
		if at := k.record.Address; k.record != (facts.Identity{}) && r.chance(5, k.stated.Name+" left on VFIO") && len(facts.NewIndex(&r.b.Survey).OwnLiveUses(at)) == 0 {
			r.take(at)
		}
	}
	return list
}

// usb adds a USB controller with something plugged in, or nothing.
func (r *random) usb() facts.Address {
	at := r.b.USB()
	f := r.b.Function(at)
	switch rapid.IntRange(0, 9).Draw(r.t, "plugged in") {
	case 6:
		f.Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Product: "Key Works K1"}}
	case 7:
		r.b.disks(at, "usb-Stick_1")
	case 8:
		r.b.disks(at, "usb-Stick_1")
		r.b.Mount(r.lastBlock(), "/mnt/stick")
	case 9:
		f.Attached = []facts.Attached{{Name: "odd0", Class: "odd"}}
	}
	return at
}

// storage adds a controller of one or two disks, some without a name of their own, that
// may be in use, also together with a disk that is not among them.
func (r *random) storage() facts.Address {
	at := r.b.Storage(rapid.SampledFrom([][]string{{"ata-SPOOL_77"}, {"ata-SPOOL_77", "ata-SPOOL_78"}, {""}, {}}).Draw(r.t, "disks")...)
	part := r.lastBlock()
	if b := r.b.Block(part); b.Controller == nil || *b.Controller != at {
		return at
	}
	switch rapid.IntRange(0, 9).Draw(r.t, "use of the disks") {
	case 6:
		r.b.Mount(part, "/srv/spool")
	case 7:
		r.b.Mirror("md0", part, "nvme0n1p1")
	case 8:
		r.b.Survey.Swaps = append(r.b.Survey.Swaps, facts.Swap{Path: "/dev/" + part})
	case 9:
		r.b.Mount(r.b.Mapper("vg9-lv", part), "/srv/deep")
	}
	return at
}

func (r *random) lastBlock() string { return r.b.Survey.Blocks[len(r.b.Survey.Blocks)-1].Name }

// network adds a network card whose interface may be up, with addresses, or in a bridge.
func (r *random) network() facts.Address {
	at := r.b.Network("eth3")
	card := &r.b.Function(at).Interfaces[0]
	switch rapid.IntRange(0, 9).Draw(r.t, "use of the card") {
	case 7:
		card.Up = true
	case 8:
		card.Up, card.Addresses = true, []string{"2001:db8::3/64"}
	case 9:
		card.Built = []facts.Built{{Name: "br3", On: "eth3", Kind: "bridge"}}
	}
	return at
}

// ports adds a card of two functions of one kind, told apart by their number or by what
// their maker has numbered them, in IOMMU groups of their own or in one.
func (r *random) ports() ([]spec.Controller, facts.Address) {
	at, group := facts.Address{Bus: 0xa0}, 40
	one := r.chance(20, "one group")
	stated := []spec.Controller{byMake("port0", maker, 0x10fb), byMake("port1", maker, 0x10fb)}
	bySubsystem := r.chance(40, "subsystems")
	for n := range 2 {
		f := facts.Function{Address: at, Vendor: maker, Device: 0x10fb, Class: 0x020000, Driver: "ixgbe", NUMANode: -1, MultiFunction: n == 0,
			SubsystemVendor: maker, SubsystemDevice: 0x0003, ResetMethods: []string{"flr"}, DeviceName: "Invented Port", Interfaces: []facts.Interface{{Name: fmt.Sprintf("port%d", n)}}}
		own := group
		if !one {
			own += n
		}
		f.Address.Function, f.Group = uint8(n), &own
		if bySubsystem {
			f.SubsystemDevice += pci.ID(n)
			stated[n].PCI.Subsystem = f.Subsystem()
		} else {
			stated[n].PCI.Function = &n
		}
		if n == 1 {
			f.Interfaces[0].Up = r.chance(20, "second port up")
		}
		r.b.Survey.Functions = append(r.b.Survey.Functions, f)
	}
	return stated, at
}

// making has a function make virtual ones, which can be lent instead of it: those of an
// NVMe drive may be online, those of a network card have interfaces. The layout may want
// another number of them.
func (r *random) making(stated spec.Controller, at facts.Address, driver string) []kind {
	made := rapid.IntRange(0, 2).Draw(r.t, "virtual functions of "+stated.Name)
	virtual := r.b.Virtual(at, made, 4, driver)
	if r.chance(50, "another number") {
		want := rapid.IntRange(1, 3).Draw(r.t, "wanted of "+stated.Name)
		stated.VirtualFunctions = &want
	}
	for n, v := range virtual {
		switch f := r.b.Function(v); {
		case f.Class != facts.ClassNVMe:
			f.Interfaces = []facts.Interface{{Name: fmt.Sprintf("%sv%d", stated.Name, n)}}
		case r.chance(40, "online"):
			f.NVMe = &facts.NVMe{Name: fmt.Sprintf("nvme%d", 7+n), Serial: "SN-1", Model: "QEMU NVMe Ctrl", State: "live"}
		default:
			f.Driver = ""
		}
	}
	list := []kind{{stated: stated}}
	if stated.VirtualFunctions != nil {
		made = *stated.VirtualFunctions
	}
	for n := range made {
		name := fmt.Sprintf("%s-v%d", stated.Name, n)
		k := kind{stated: VirtualController(name, stated.Name, n), borrowed: true}
		if n < len(virtual) {
			k.record = r.b.Virtually(name, stated.Name, virtual[n])
		}
		list = append(list, k)
	}
	return list
}
