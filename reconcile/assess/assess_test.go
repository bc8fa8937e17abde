package assess_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// bench is a host and a layout that nothing speaks against but that starts are
// not guarded yet: one controller with a shelf, lent by day to grading; by night
// catalogue runs from the shelf.
type bench struct {
	*invented.Builder
	reel   facts.Address
	layout *spec.Layout
	shift  string
}

func newBench() *bench {
	b := &bench{Builder: invented.NewBuilder()}
	b.reel = b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Builder.Guest("grading", "/srv/images/grading.qcow2")
	b.Builder.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.layout = invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")},
		invented.Shift("day", "grading"), invented.Shift("night", "catalogue"))
	return b
}

// screen has grading borrow a graphics card with its sound as one controller.
func (b *bench) screen() facts.Address {
	at := b.Builder.Screen()
	b.layout.Controllers = append(b.layout.Controllers, invented.ScreenController("screen"))
	b.layout.Guests[0].Borrows = append(b.layout.Guests[0].Borrows, spec.Ref{Name: "screen"})
	return at
}

func (b *bench) findings() []assess.Finding {
	return assess.Assess(assess.NewCase(b.layout, facts.NewIndex(&b.Survey), b.layout.Shift(b.shift)))
}

// arguments gives a guest a device by an argument that QEMU is passed.
func (b *bench) arguments(guest, value string) {
	for i := range b.Survey.Libvirt.Guests {
		if g := &b.Survey.Libvirt.Guests[i]; g.Name == guest {
			d, err := definition.Read(strings.Replace(g.Kept.XML, "</domain>",
				"<q:commandline xmlns:q='http://libvirt.org/schemas/domain/qemu/1.0'><q:arg value='-device'/><q:arg value='"+value+"'/></q:commandline></domain>", 1))
			if err != nil {
				panic(err)
			}
			g.Kept = &d
		}
	}
}

// moving makes the bench one whose guest's system is yet to move onto a blank
// drive.
func moving(b *bench) {
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.Survey.Blocks = b.Survey.Blocks[:2]
	b.Look("nvme0n1")
	b.System("/srv/images/grading.qcow2")
	b.layout.Controllers[0].Drive.CopyOf, b.layout.Controllers[0].Drive.CopyFormat = "/srv/images/grading.qcow2", "qcow2"
	b.layout.Guests[0].System = "windows"
}

const image = "/srv/images/grading.qcow2"

// behindPort puts the controller below a port of its own with a card that no driver
// has, and gives it these ways to be reset.
func (b *bench) behindPort(methods ...string) *facts.Function {
	port := facts.Address{Slot: 4}
	card := b.Function(b.Card(b.reel, ""))
	b.Function(b.reel).ResetMethods = methods
	b.Function(b.reel).Upstream, card.Upstream = &port, &port
	return card
}

// joined puts the controller below a port that joins it with a card that no driver has.
func (b *bench) joined() *facts.Function {
	b.behindPort("flr")
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: facts.Address{Slot: 4}, HeaderType: 1, Class: 0x060400,
		Driver: "pcieport", Group: b.Function(b.reel).Group, NUMANode: -1, DeviceName: "Root Port", Express: facts.RootPort})
	return &b.Survey.Functions[len(b.Survey.Functions)-1]
}

// wayUp gives the controller a link, and ports above it with theirs, nearest first.
func (b *bench) wayUp(own facts.Link, above ...facts.Link) {
	f := b.Function(b.reel)
	f.Link = &own
	var ports []facts.Function
	for i := range above {
		at := facts.Address{Bus: 0x40, Slot: uint8(i) + 1}
		ports = append(ports, facts.Function{Address: at, HeaderType: 1, DeviceName: "Port", Link: &above[i]})
		if i == 0 {
			f.Upstream = &at
		} else {
			ports[i-1].Upstream = &at
		}
	}
	b.Survey.Functions = append(b.Survey.Functions, ports...)
}

// limit gives grading a hard limit.
func (b *bench) limit(mib int) {
	b.Edit("grading", "</os>", fmt.Sprintf("</os><memtune><hard_limit unit='MiB'>%d</hard_limit></memtune>", mib))
}

// is makes the controller one of a kind, with these ways to be reset.
func (b *bench) is(vendor, device pci.ID, methods ...string) {
	f := b.Function(b.reel)
	f.Vendor, f.Device, f.ResetMethods = vendor, device, methods
}

// regions gives the controller these regions.
func (b *bench) regions(bars ...facts.BAR) *facts.Function {
	f := b.Function(b.reel)
	f.BARs = bars
	return f
}

// states makes a network card with virtual functions, and has grading borrow the one
// of a number. It gives the address of the card.
func (b *bench) states(made, number int) facts.Address {
	at := b.Ethernet()
	b.Virtual(at, made, 7, "igbvf")
	b.layout.Controllers = append(b.layout.Controllers, invented.EthernetController("card"), invented.VirtualController("port", "card", number))
	b.layout.Guests[0].Borrows = append(b.layout.Guests[0].Borrows, spec.Ref{Name: "port"})
	b.shift = "day"
	return at
}

// counts states how many virtual functions the card of states shall have.
func (b *bench) counts(number int) {
	b.layout.Controller("card").VirtualFunctions = &number
}

// holdsVirtual has grading hold a virtual function of a network card, and gives the
// address of the card.
func (b *bench) holdsVirtual() facts.Address {
	at := b.Ethernet()
	b.Hold("grading", b.Virtual(at, 2, 7, "igbvf")[1])
	b.shift = "day"
	return at
}

// display makes the controller a graphics card without a ROM.
func (b *bench) display() *facts.Function {
	f := b.Function(b.reel)
	f.Class = 0x030000
	return f
}

// seen has grading's image hold a system of which the questions are answered so, in
// their sequence, and grading start from its copy.
func (b *bench) seen(kind string, says ...facts.Held) {
	moving(b)
	b.Reads()
	b.layout.Guests[0].System, b.shift = kind, "day"
	answers := map[facts.Matter]facts.Held{}
	for i, q := range facts.Matters(kind) {
		answers[q] = says[i]
	}
	b.Holds(image, kind, answers)
}

// leads has a name be a link to somewhere.
func (b *bench) leads(named, to string) {
	for i := range b.Survey.Paths {
		if p := &b.Survey.Paths[i]; p.Named == named {
			p.Resolved, p.Via = to, []string{named}
		}
	}
}

// stray mounts something that has no device of its own.
func (b *bench) stray(kind, place string) {
	b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: facts.Devno{Minor: 99}, Root: "/", Path: place, Kind: kind, Source: kind})
}

func (b *bench) content(of string) *facts.Content {
	for i := range b.Survey.Contents {
		if b.Survey.Contents[i].Of == of {
			return &b.Survey.Contents[i]
		}
	}
	return nil
}

func TestInstalledGuardIsNoFinding(t *testing.T) {
	b := newBench()
	b.Survey.Guard.Hook = "#!/bin/sh\n" + facts.GuardMark + "\n"
	for _, f := range b.findings() {
		assert.NotEqual(t, "unguarded", f.Check)
	}
}

// A guest that has anything on the shelf, or the shelf itself, does not run
// while the shelf is lent.
func TestWhoLivesOnTheShelf(t *testing.T) {
	for name, device := range map[string]string{
		"a share":             `<filesystem type="mount"><source dir="/srv/shelf/scans"/><target dir="s"/></filesystem>`,
		"the shelf as share":  `<filesystem><source dir="/srv/shelf"/><target dir="s"/></filesystem>`,
		"all shelves":         `<filesystem type="mount"><source dir="/srv"/><target dir="s"/></filesystem>`,
		"a volume":            `<disk type="volume"><source pool="shelf" volume="x"/><target dev="vdy"/></disk>`,
		"a folder as a disk":  `<disk type="dir"><source dir="/srv/shelf/x"/><target dev="vdy"/></disk>`,
		"a folder by name":    `<disk type="file"><source file="fat:rw:/srv/shelf/x"/><target dev="vdy"/></disk>`,
		"a file by JSON":      `<disk type="file"><source file='json:{"filename":"/srv/shelf/x"}'/><target dev="vdy"/></disk>`,
		"a log":               `<serial type="pty"><log file="/srv/shelf/log"/></serial>`,
		"a socket":            `<channel type="unix"><source mode="bind" path="/srv/shelf/s"/><target type="virtio" name="x"/></channel>`,
		"a TPM":               `<tpm><backend type="emulator"><source type="dir" path="/srv/shelf/tpm"/></backend></tpm>`,
		"an image below":      `<disk type="file"><source file="/srv/images/y"/><target dev="vdy"/><backingStore type="file"><source file="/srv/shelf/base"/></backingStore></disk>`,
		"an image kept apart": `<disk type="file"><source file="/srv/images/y"><dataStore type="file"><source file="/srv/shelf/data"/></dataStore></source><target dev="vdy"/></disk>`,
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			b.shift = "day"
			b.Survey.Libvirt.Pools = []facts.Pool{{Name: "shelf", Kind: "dir", Active: true, Target: "/srv/shelf"}}
			b.Builder.Guest("clerk", "/srv/images/clerk.qcow2")
			b.layout.Guests = append(b.layout.Guests, invented.Guest("clerk"))
			b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "clerk"})
			require.False(t, assess.Stops(b.findings()), "%+v", b.findings())
			b.Device("clerk", device)
			assert.True(t, slices.ContainsFunc(b.findings(), func(f assess.Finding) bool {
				return f.Severity == assess.Stop && strings.Contains(f.Summary, "clerk") && strings.Contains(f.Detail, "/srv/shelf")
			}), "%+v", b.findings())
		})
	}
}

func TestSoundLayoutHasNoStop(t *testing.T) {
	for _, shift := range []string{"", "day", "night"} {
		b := newBench()
		b.shift = shift
		assert.False(t, assess.Stops(b.findings()), shift)
	}
}

// Each case changes the sound bench in one way and names the finding that must
// appear, with a word of what it must tell.
var cases = map[string]struct {
	change   func(*bench)
	check    string
	severity assess.Severity
	tells    string
}{
	"arguments for QEMU": {func(b *bench) {
		b.Device("grading", `<disk type="file"><source file="json:{&quot;driver&quot;:&quot;x&quot;}"/><target dev="vdz"/></disk>`)
	}, "unread", assess.Caution, "devices/disk/source/@file"},
	"a running stranger of an unknown kind of device": {func(b *bench) {
		b.Builder.Guest("other", "/srv/images/other.qcow2")
		b.Device("other", "<pigeon/>")
		b.Run("other")
	}, "unread", assess.Caution, "guest other"},
	"a running stranger with the drive behind a protocol": {func(b *bench) {
		b.shift = "day"
		b.Builder.Guest("other", "/srv/images/other.qcow2")
		b.Device("other", `<disk type="file"><source file="json:{&quot;filename&quot;:&quot;/dev/nvme0n1p1&quot;}"/><target dev="vdz"/></disk>`)
		b.Run("other")
	}, "contention", assess.Stop, "nvme0n1p1"},
	"a running stranger with the controller's own device": {func(b *bench) {
		b.shift = "day"
		b.Builder.Guest("other", "/srv/images/other.qcow2")
		b.Device("other", `<disk type="block"><source dev="/dev/ng0n1"/><target dev="vdz"/></disk>`)
		b.Run("other")
	}, "contention", assess.Stop, "guest other"},
	"another host": {func(b *bench) { b.Survey.Machine.Name = "birch.example.org" },
		"host-name", assess.Caution, "birch"},
	"controller absent": {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL-0000-0000" },
		"controller-identity", assess.Stop, "RL-4410-0073"},
	"controller absent, nobody borrows it": {func(b *bench) {
		b.layout.Controllers = append(b.layout.Controllers, invented.Controller("spare", "RL-0000-0000"))
	}, "controller-identity", assess.Caution, "RL-0000-0000"},
	"controller absent, a guest waits for its mount": {func(b *bench) {
		b.layout.Controllers = append(b.layout.Controllers, invented.Controller("spare", "RL-0000-0000", "films", "/srv/films"))
		b.Builder.Guest("films", "/srv/films/films.qcow2")
		b.layout.Guests = append(b.layout.Guests, invented.Guest("films"))
		b.shift, b.layout.Shifts[0].Guests = "day", append(b.layout.Shifts[0].Guests, spec.Ref{Name: "films"})
	}, "controller-identity", assess.Stop, "Guest films is to be started and has disks below /srv/films"},
	"controller dead": {func(b *bench) { b.Function(b.reel).NVMe.State = "dead" },
		"controller-identity", assess.Stop, "dead"},
	"two claim one serial": {func(b *bench) { b.NVMe("RL-4410-0073") },
		"controller-identity", assess.Stop, "0000:02:00.0"},
	"twins by kind without a slot": {func(b *bench) {
		b.NVMe("RL-4410-0088")
		b.layout.Controllers[0].NVMe = nil
		b.layout.Controllers[0].PCI = &spec.PCIIdentity{Vendor: 0x1b36, Device: 0x0010}
	}, "controller-identity", assess.Stop, "state nvme with serial"},
	"lent, so known by record": {func(b *bench) {
		b.Builder.Guest("other", "", b.Identity("reel", b.reel))
		b.Function(b.reel).Driver, b.Function(b.reel).NVMe = "vfio-pci", nil
		b.Survey.Mounts = b.Survey.Mounts[:1]
	}, "known-by-record", assess.Note, "0000:01:00.0"},
	"stale address, empty": {func(b *bench) {
		r := b.Identity("reel", b.reel)
		r.Address.Bus = 9
		b.Builder.Guest("other", "", r)
	}, "wrong-device", assess.Caution, "0000:09:00.0"},
	"stale address, another controller there": {func(b *bench) {
		r := b.Identity("reel", b.reel)
		r.Address = b.NVMe("RL-4410-0088")
		b.Builder.Guest("other", "", r)
	}, "wrong-device", assess.Stop, "RL-4410-0088"},
	"stale address of a guest that the order corrects": {func(b *bench) {
		r := b.Identity("reel", b.reel)
		r.Address = b.NVMe("RL-4410-0088")
		b.Survey.Libvirt.Guests = slices.DeleteFunc(b.Survey.Libvirt.Guests, func(g facts.Guest) bool { return g.Name == "grading" })
		b.Builder.Guest("grading", "", r)
	}, "wrong-device", assess.Caution, "RL-4410-0088"},
	"twins": {func(b *bench) { b.NVMe("RL-4410-0088") },
		"twins", assess.Note, "RL-4410-0088"},
	"twins taken by kind": {func(b *bench) {
		b.Survey.Claims = []facts.Claim{{Vendor: 0x1b36, Device: 0x0010, From: "/etc/modprobe.d/vfio.conf"}}
	}, "twins", assess.Caution, "/etc/modprobe.d/vfio.conf"},
	"never lent": {func(b *bench) {
		b.layout.Host.NeverLend = []string{"RL-4410-0073"}
	}, "protected", assess.Stop, "never_lend"},
	"the host's own boot": {func(b *bench) { b.Mount("nvme0n1p1", "/boot") },
		"protected", assess.Stop, "nvme0n1p1 (start) > host system /boot"},
	"another mount": {func(b *bench) { b.Mount("nvme0n1p1", "/mnt/x") },
		"host-use", assess.Stop, "nvme0n1p1 (start) > mount /mnt/x"},
	"the declared place, but another partition": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Mount("nvme0n1p1", "/srv/shelf")
	}, "host-use", assess.Stop, "nvme0n1p1 (start) > mount /srv/shelf"},
	"swap": {func(b *bench) {
		b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1p1"}}
	}, "host-use", assess.Stop, "swap /dev/nvme0n1p1"},
	"assembled volume": {func(b *bench) { b.Mapper("vg-lv", "nvme0n1p1") },
		"host-use", assess.Stop, "vg-lv"},
	"running guest on a partition": {func(b *bench) {
		b.Builder.Guest("other", "/dev/nvme0n1p1")
		b.Run("other")
	}, "host-use", assess.Stop, "guest other"},
	"a bridge of the chipset is lent": {func(b *bench) { b.Function(b.reel).Class = 0x060100 }, "bridge", assess.Stop, "class: 060100"},
	"a port is put aside": {func(b *bench) {
		port := b.Function(b.Card(b.reel, "pcieport"))
		port.HeaderType, port.Class, port.Device = 1, 0x060400, 0x000c
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "port", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x000c}})
	}, "bridge", assess.Stop, "controller port is a bridge"},
	"a function of a whole slot is gone": {func(b *bench) {
		b.screen()
		b.Survey.Functions = b.Survey.Functions[:len(b.Survey.Functions)-1]
	}, "controller-identity", assess.Stop, "with the functions 10de:2484 in its slot; the layout states 10de:2484, 10de:228b"},
	"a function more in a whole slot": {func(b *bench) {
		more := *b.Function(b.screen())
		more.Address.Function, more.Device = 2, 0x1ad8
		b.Survey.Functions = append(b.Survey.Functions, more)
	}, "controller-identity", assess.Stop, "10de:2484, 10de:228b, 10de:1ad8 in its slot"},
	"another function in a whole slot": {func(b *bench) {
		at := b.screen()
		at.Function = 1
		b.Function(at).Device = 0x10f9
	}, "controller-identity", assess.Stop, "10de:2484, 10de:10f9 in its slot"},
	"two whole slots alike": {func(b *bench) {
		b.screen()
		b.Builder.Screen()
	}, "controller-identity", assess.Stop, "2 slots of the host have the functions 10de:2484, 10de:228b"},
	"two whole slots alike, with serial numbers": {func(b *bench) {
		b.Function(b.screen()).DeviceSerial = "00-00-00-00-00-00-00-01"
		b.Function(b.Builder.Screen()).DeviceSerial = "00-00-00-00-00-00-00-02"
	}, "controller-identity", assess.Stop, `for Invented Graphics at 0000:e1:00.0 state pci with functions = ["10de:2484", "10de:228b"], device_serial = "00-00-00-00-00-00-00-02"`},
	"a function of a whole slot is another controller": {func(b *bench) {
		b.screen()
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "sound", PCI: &spec.PCIIdentity{Vendor: 0x10de, Device: 0x228b}})
		b.layout.Guests[1].Borrows = append(b.layout.Guests[1].Borrows, spec.Ref{Name: "sound"})
	}, "controller-identity", assess.Stop, "Invented Sound at 0000:e0:00.1 is a function of controller screen"},
	"a card of another maker in a whole slot": {func(b *bench) {
		at := b.screen()
		r := b.Whole("screen", at)
		b.Builder.Guest("films", "", r)
		b.Function(at).SubsystemDevice = 0x8791
	}, "wrong-device", assess.Stop, "10de:2484/1043:8791 is at 0000:e0:00.0, where 10de:2484/1043:8790 belongs to it"},
	"the sound of a whole slot is in use": {func(b *bench) {
		at := b.screen()
		at.Function = 1
		b.Function(at).Interfaces = []facts.Interface{{Name: "eth9", Up: true}}
	}, "host-use", assess.Stop, "eth9"},
	"another in the group of a whole slot": {func(b *bench) { b.Card(b.screen(), "e1000e") }, "group", assess.Stop, "82574L"},
	"a part of a whole slot is with another guest": {func(b *bench) {
		at := b.screen()
		at.Function = 1
		b.Builder.Guest("other", "")
		b.Hold("other", at)
		b.Function(at).Driver = "vfio-pci"
		b.Run("other")
	}, "contention", assess.Stop, "guest other"},
	"what is not known of a whole slot's sound": {func(b *bench) {
		at := b.screen()
		at.Function = 1
		b.Function(at).Gaps = []facts.Gap{{Fact: "driver", Path: "sound/driver", Reason: "permission denied"}}
	}, "gap", assess.Stop, "sound/driver"},
	"a graphics card without its sound": {func(b *bench) {
		at := b.screen()
		b.layout.Controllers[1].PCI.Functions = nil
		group := 77
		b.Function(facts.Address{Bus: at.Bus, Function: 1}).Group = &group
	}, "lone-function", assess.Caution, `state them as one controller: pci with functions = ["10de:2484", "10de:228b"]`},
	"sound without its graphics card, in one group": {func(b *bench) {
		b.screen()
		b.layout.Controllers[1].PCI = &spec.PCIIdentity{Vendor: 0x10de, Device: 0x228b}
	}, "group", assess.Stop, `state them as one controller: pci with functions = ["10de:2484", "10de:228b"]`},
	"a graphics card, and of what shares its slot the kind is not known": {func(b *bench) {
		at := b.screen()
		b.layout.Controllers[1].PCI.Functions = nil
		sound := b.Function(facts.Address{Bus: at.Bus, Function: 1})
		sound.Class, sound.Gaps = 0, []facts.Gap{{Fact: "class", Path: "sound/class", Reason: "permission denied"}}
	}, "lone-function", assess.Caution, "228b"},
	"one port of a network card": {func(b *bench) {
		port := *b.Function(b.reel)
		port.Address.Function, port.Class, port.NVMe, port.Driver = 3, 0x020000, nil, ""
		b.Survey.Functions = append(b.Survey.Functions, port)
	}, "lone-function", assess.Note, "020000"},
	"a card whose device serial number is not known": {func(b *bench) {
		at := b.screen()
		b.layout.Controllers[1].PCI.Serial = "00-00-00-00-00-00-00-01"
		b.Function(at).Gaps = []facts.Gap{{Fact: "device_serial", Path: "config", Reason: "a loop"}}
	}, "controller-identity", assess.Stop, "that of Invented Graphics at 0000:e0:00.0 is not known: a loop"},
	"a card of another device serial number": {func(b *bench) {
		at := b.screen()
		b.layout.Controllers[1].PCI.Serial = "00-00-00-00-00-00-00-01"
		b.Function(at).DeviceSerial = "00-00-00-00-00-00-00-02"
	}, "controller-identity", assess.Stop, "with the device serial number 00-00-00-00-00-00-00-01"},
	"no IOMMU": {func(b *bench) { b.Survey.Machine.IOMMUs = 0 },
		"iommu", assess.Stop, "(VT-d, AMD-Vi, SMMU)"},
	"no IOMMU, of an unknown maker": {func(b *bench) { b.Survey.Machine.IOMMUs = 0 },
		"iommu", assess.Stop, "on Intel processors add intel_iommu=on"},
	"no IOMMU on AMD": {func(b *bench) { b.Survey.Machine.IOMMUs, b.Survey.Machine.CPUMaker = 0, "AuthenticAMD" },
		"iommu", assess.Stop, "firmware setup (AMD-Vi or IOMMU)"},
	"no IOMMU, but the firmware has one": {func(b *bench) { b.Survey.Machine.IOMMUs, b.Survey.Machine.DMATable = 0, "DMAR" },
		"iommu", assess.Stop, "the firmware has VT-d on"},
	"no IOMMU, but Arm's firmware describes one": {func(b *bench) { b.Survey.Machine.IOMMUs, b.Survey.Machine.DMATable = 0, "IORT" },
		"iommu", assess.Stop, "describes one (IORT)"},
	"no IOMMU, switched off by hand": {func(b *bench) {
		b.Survey.Machine.IOMMUs, b.Survey.Machine.CommandLine = 0, "quiet amd_iommu=off"
	}, "iommu", assess.Stop, "take amd_iommu=off off"},
	"an IOMMU that libvirt does not take": {func(b *bench) {
		no := false
		b.Survey.Libvirt.IOMMU, b.Survey.Machine.IOMMUs = &no, 2
		b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "ivhd0"}, {Name: "smmu3.0x9050000"}}
	}, "iommu", assess.Stop, "2 units: ivhd0 of AMD, smmu3.0x9050000 of Arm"},
	"interrupts not remapped by the hardware": {func(b *bench) {
		b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "dmar0", Extended: 0xf00f42}}
	}, "iommu", assess.Stop, "f00f42: no interrupt remapping"},
	"interrupts not remapped by wish, and that allowed": {func(b *bench) {
		b.Survey.Machine.CommandLine = "intel_iommu=on intremap=nosid,off vfio_iommu_type1.allow_unsafe_interrupts=1"
		b.Survey.Machine.VFIO = []facts.ModuleSetting{{Name: "vfio_iommu_type1.allow_unsafe_interrupts", Value: "Y", From: "/sys/module", Loaded: true}}
	}, "iommu", assess.Caution, "can raise interrupts of the host"},
	"interrupts not remapped, and that allowed only in a file that does not count": {func(b *bench) {
		b.Survey.Machine.CommandLine = "intel_iommu=on intremap=off"
		b.Survey.Machine.VFIO = []facts.ModuleSetting{{Name: "vfio_iommu_type1.allow_unsafe_interrupts", Value: "N", From: "/sys/module", Loaded: true}, {Name: "vfio_iommu_type1.allow_unsafe_interrupts", Value: "1", From: "/etc/modprobe.d/x.conf"}}
	}, "iommu", assess.Stop, "does not remap interrupts"},
	"asleep without power": {func(b *bench) { b.Function(b.reel).PowerState = "D3cold" },
		"power", assess.Note, "disable_idle_d3"},
	"asleep, and not read": {func(b *bench) {
		b.Function(b.reel).PowerState = "D3cold"
		b.Function(b.reel).Gaps = []facts.Gap{{Fact: "header_type", Path: "config", Reason: "it reads as all ones"}}
	}, "power", assess.Caution, "echo on > /sys/bus/pci/devices/0000:01:00.0/power/control"},
	"in a power state that nobody knows, and not read": {func(b *bench) {
		b.Function(b.reel).PowerState = "unknown"
		b.Function(b.reel).Gaps = []facts.Gap{{Fact: "header_type", Path: "config", Reason: "it reads as all ones"}}
	}, "power", assess.Caution, "may not wake"},
	"in a power state of another name": {func(b *bench) { b.Function(b.reel).PowerState = "error" },
		"power", assess.Caution, "may not wake"},
	"a way of an older generation": {func(b *bench) {
		b.wayUp(facts.Link{SpeedMTps: 2500, Width: 4, MaxSpeedMTps: 16000, MaxWidth: 4}, facts.Link{MaxSpeedMTps: 8000, MaxWidth: 4})
	}, "link", assess.Note, "controller reel can do 16 GT/s, its way 8 GT/s"},
	"what an idle link says": {func(b *bench) {
		b.wayUp(facts.Link{SpeedMTps: 2500, Width: 4, MaxSpeedMTps: 16000, MaxWidth: 4}, facts.Link{MaxSpeedMTps: 8000, MaxWidth: 4})
	}, "link", assess.Note, "That it runs at 2.5 GT/s now says nothing"},
	"a way with fewer lanes behind a port that has them": {func(b *bench) {
		b.wayUp(facts.Link{SpeedMTps: 8000, Width: 16, MaxSpeedMTps: 8000, MaxWidth: 16}, facts.Link{MaxSpeedMTps: 8000, MaxWidth: 16}, facts.Link{MaxSpeedMTps: 8000, MaxWidth: 4})
	}, "link", assess.Note, "controller reel has 16 lanes, its way 4"},
	"the link of a virtual function is its parent's": {func(b *bench) {
		b.Function(b.holdsVirtual()).Link = &facts.Link{SpeedMTps: 8000, Width: 2, MaxSpeedMTps: 8000, MaxWidth: 4}
	}, "link", assess.Note, "runs on 2 of 4 lanes"},
	"in no group": {func(b *bench) { b.Function(b.reel).Group = nil },
		"iommu", assess.Stop, "0000:01:00.0"},
	"group with a foreign driver": {func(b *bench) { b.Card(b.reel, "e1000e") },
		"group", assess.Stop, "82574L"},
	"group member goes along": {func(b *bench) { b.Card(b.reel, "") },
		"goes-along", assess.Note, "82574L"},
	"groups that may be split by hand": {func(b *bench) {
		b.Survey.Machine.CommandLine += " pcie_acs_override=downstream,multifunction"
		own := 77
		b.joined().Group = &own
	}, "acs", assess.Caution, "Root Port at 0000:00:04.0: no ACS"},
	"a port that joins a group":           {func(b *bench) { b.joined() }, "acs", assess.Note, "Root Port at 0000:00:04.0: no ACS"},
	"a port of which ACS is switched off": {func(b *bench) { b.joined().ACS = &facts.ACS{Can: 0x5f, On: 0x10} }, "acs", assess.Note, "ACS, with these off: SrcValid, ReqRedir, CmpltRedir"},
	"a port of which ACS is switched off by words": {func(b *bench) {
		b.Survey.Machine.CommandLine += " pci=noaer,disable_acs_redir=00:04.0"
		b.joined().ACS = &facts.ACS{Can: 0x5f, On: 0x11}
	}, "acs", assess.Note, "see whether the kernel's command line switches ACS off"},
	"a port of which ACS is not known": {func(b *bench) { b.joined().Gaps = []facts.Gap{{Fact: "acs"}} }, "acs", assess.Note, "whether it has ACS is not known"},
	"a bridge to old PCI":              {func(b *bench) { b.joined().Express = facts.ToPCI }, "acs", assess.Note, "by the rules of old PCI"},
	"a card whose functions a newer kernel keeps apart": {func(b *bench) {
		other := b.Function(b.Card(b.reel, ""))
		other.Address = facts.Address{Bus: b.reel.Bus, Function: 1}
		b.is(0x8086, 0x1521, "flr")
	}, "acs", assess.Note, "this kernel does not"},
	"no reset": {func(b *bench) { b.Function(b.reel).ResetMethods = nil },
		"reset", assess.Caution, "reset_method"},
	"reset by bus only, with others on it": {func(b *bench) {
		b.behindPort("bus").Driver = "e1000e"
	}, "reset", assess.Caution, "82574L Gigabit Network Connection at 0000:01:01.0, driver e1000e"},
	"no reset of its own, others on its bus": {func(b *bench) { b.behindPort() },
		"reset", assess.Caution, "resetting controller reel resets others"},
	"a reset that only newer kernels have": {func(b *bench) { b.behindPort("cxl_bus") },
		"reset", assess.Caution, "cxl_bus"},
	"all that its reset hits goes along": {func(b *bench) {
		b.behindPort("bus")
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "reset", assess.Note, "reset with 1 other"},
	"a virtual function without a reset": {func(b *bench) {
		v := b.Virtual(b.holdsVirtual(), 3, 7, "igbvf")
		b.Function(v[2]).ResetMethods = []string{"bus"}
		b.Hold("grading", v[2])
	}, "reset", assess.Caution, "which takes all virtual functions offline"},
	"no reset of its own, and one of its bus breaks it": {func(b *bench) {
		b.behindPort()
		b.Function(b.reel).Vendor, b.Function(b.reel).Device = 0x1b21, 0x1164
	}, "reset", assess.Caution, "cannot be reset"},
	"no reset of its own, and one of its bus breaks the port": {func(b *bench) {
		b.behindPort()
		port := b.Function(b.Card(b.reel, "pcieport"))
		port.Address, port.HeaderType, port.Vendor, port.Device = facts.Address{Slot: 4}, 1, 0x10de, 0x22ce
	}, "reset", assess.Caution, "cannot be reset"},

	"a bus reset that breaks it": {func(b *bench) { b.is(0x1b21, 0x1164, "pm", "bus") },
		"quirk", assess.Caution, "echo pm > /sys/bus/pci/devices/0000:01:00.0/reset_method"},
	"a bus reset that breaks it, and no other": {func(b *bench) { b.is(0x168c, 0x0030, "bus") },
		"quirk", assess.Caution, "use a kernel that knows it"},
	"a power reset without effect": {func(b *bench) {
		b.is(0x1002, 0x6611, "pm")
		b.Function(b.reel).Class = 0x030000
	}, "quirk", assess.Caution, "keeps its contents when reset"},
	"an FLR that hangs it": {func(b *bench) { b.is(0x1022, 0x149c, "flr", "bus") },
		"quirk", assess.Caution, "quirk_no_flr, Linux"},
	"a reset of its own": {func(b *bench) { b.is(0x144d, 0xa804, "device_specific", "flr", "bus") },
		"quirk", assess.Note, "leave device_specific"},
	"a reset of its own that the kernel lacks": {func(b *bench) { b.is(0x025e, 0xf1ac, "flr", "bus") },
		"quirk", assess.Caution, "echo default"},
	"a card that is known not to come back": {func(b *bench) { b.is(0x1002, 0x67df, "bus") },
		"quirk", assess.Caution, "from memory, without a source"},
	"an interrupt that cannot be masked": {func(b *bench) { b.is(0x10ec, 0x8169, "pm", "bus") },
		"quirk", assess.Caution, "/proc/interrupts"},
	"what vfio-pci refuses": {func(b *bench) { b.is(0x8086, 0x37c8, "flr") },
		"quirk", assess.Stop, "vfio_pci_dev_in_denylist"},
	"what vfio-pci would refuse, but is told not to": {func(b *bench) {
		b.is(0x8086, 0x37c8, "flr")
		b.Survey.Machine.VFIO = []facts.ModuleSetting{{Name: "vfio_pci.disable_denylist", Value: "Y", From: "/sys/module", Loaded: true}}
	}, "quirk", assess.Caution, "unsafe to lend"},
	"addresses that it must not keep": {func(b *bench) { b.is(0x1002, 0x7340, "flr") },
		"quirk", assess.Note, "ATS"},
	"slow to wake": {func(b *bench) { b.is(0x1022, 0x1639, "pm") },
		"quirk", assess.Note, "disable_idle_d3"},
	"kept with a driver": {func(b *bench) { b.Function(b.reel).DriverOverride = "pci-stub" },
		"override", assess.Caution, "echo pci-stub into driver_override"},
	"put aside, and kept with a driver": {func(b *bench) {
		b.Function(b.Card(b.reel, "pci-stub")).DriverOverride = "pci-stub"
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "override", assess.Caution, "only its undo writes it again"},
	"an interrupt table over its pending bits": {func(b *bench) {
		b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 16 << 10}).MSIX = &facts.MSIX{Vectors: 65, TableOffset: 0x2000, PBAOffset: 0x2400}
	}, "registers", assess.Stop, "overlap"},
	"an interrupt table beyond its region": {func(b *bench) {
		b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 8 << 10}).MSIX = &facts.MSIX{Vectors: 65, TableOffset: 0x1fc0}
	}, "registers", assess.Stop, "reach beyond region 0, which has 8.0 KiB"},
	"pending bits in a region that is not there": {func(b *bench) {
		b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 16 << 10}).MSIX = &facts.MSIX{Vectors: 65, TableOffset: 0x2000, PBABAR: 4}
	}, "registers", assess.Stop, "region 4, which has 0 B"},
	"a guest outside the layout's word holds such": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("catalogue", at)
		b.Function(at).MSIX = &facts.MSIX{Vectors: 1}
		b.shift = "night"
	}, "registers", assess.Stop, "of guest catalogue"},
	"doorbells in the table's page": {func(b *bench) {
		b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 16 << 10}).MSIX = &facts.MSIX{Vectors: 32, TableOffset: 0x1800, PBAOffset: 0x3000}
	}, "registers", assess.Note, "doorbells"},
	"a region of one page with the table": {func(b *bench) {
		f := b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 4 << 10})
		f.MSIX, f.Class = &facts.MSIX{Vectors: 4, TableOffset: 0x800, PBAOffset: 0xc00}, 0x020000
	}, "registers", assess.Note, "the rest of its region"},
	"a small region in a page with others": {func(b *bench) { b.regions(facts.BAR{Start: 0xfe000400, SizeBytes: 1 << 10}) },
		"registers", assess.Note, "region 0 shares a page"},
	"regions larger than any window": {func(b *bench) {
		b.regions(facts.BAR{Index: 1, SizeBytes: 64 << 30, Wide: true, Prefetch: true, Sizes: 1<<8 | 1<<16})
	}, "aperture", assess.Caution, "<entry name='opt/ovmf/X-PciMmio64Mb'>65536</entry>"},
	"regions that can be made smaller": {func(b *bench) {
		b.regions(facts.BAR{Index: 1, SizeBytes: 64 << 30, Wide: true, Prefetch: true, Sizes: 1<<8 | 1<<16})
	}, "aperture", assess.Caution, "echo 8 > /sys/bus/pci/devices/0000:01:00.0/resource1_resize"},
	"regions that need newer firmware": {func(b *bench) {
		b.Edit("grading", "</os>", "</os><cpu mode='host-passthrough'><maxphysaddr mode='passthrough'/></cpu>")
		b.Survey.Machine.AddressBits, b.Survey.Machine.CPUMaker = 39, "GenuineIntel"
		b.regions(facts.BAR{Index: 1, SizeBytes: 64 << 30, Wide: true, Prefetch: true})
	}, "aperture", assess.Note, "from edk2-stable202211 on keeps 64.0 GiB"},
	"regions beyond what the guest addresses": {func(b *bench) {
		b.Edit("grading", "</os>", "</os><cpu><maxphysaddr mode='emulate' bits='36'/></cpu>")
		b.regions(facts.BAR{Index: 1, SizeBytes: 32 << 30, Wide: true, Prefetch: true}, facts.BAR{Index: 3, SizeBytes: 32 << 20, Wide: true, Prefetch: true})
	}, "aperture", assess.Caution, "end beyond what 36 bits address"},
	"regions that must lie low": {func(b *bench) { b.regions(facts.BAR{Index: 2, SizeBytes: 2 << 30, Wide: true}) },
		"aperture", assess.Caution, "may lack room below 4 GiB"},
	"more memory than the IOMMU reaches": {func(b *bench) {
		b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "dmar0", Cap: 31<<16 | 2<<8, Extended: 8}}
		b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: 8 << 30}
		b.shift = "day"
	}, "aperture", assess.Stop, "it translates 32 bits"},
	"more memory than one of two IOMMUs reaches": {func(b *bench) {
		b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "dmar0", Cap: 31<<16 | 2<<8, Extended: 8}, {Name: "dmar1"}}
		b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: 8 << 30}
		b.shift = "day"
	}, "aperture", assess.Caution, "it translates 32 bits"},
	"the card that the host started with": {func(b *bench) { b.display().BootVGA = true },
		"option-rom", assess.Caution, "<rom file="},
	"a card whose ROM is a copy in memory": {func(b *bench) { b.display().OptionROM = &facts.OptionROM{SizeBytes: 128 << 10, Shadow: true} },
		"option-rom", assess.Caution, "a copy in memory"},
	"a card without a ROM": {func(b *bench) { b.display() },
		"option-rom", assess.Note, "until its own driver has it"},

	"two want it at once": {func(b *bench) {
		b.layout.Guests = append(b.layout.Guests, invented.Guest("second", "reel"))
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "second"})
		b.layout.Guests[2].Memory = &spec.Memory{SizeBytes: 1 << 30}
		b.shift = "day"
	}, "contention", assess.Stop, "second"},
	"two take turns": {func(b *bench) {
		b.layout.Guests = append(b.layout.Guests, invented.Guest("second", "reel"))
		b.layout.Guests[2].Memory = &spec.Memory{SizeBytes: 1 << 30}
	}, "contention", assess.Note, "second"},
	"a stranger has it now": {func(b *bench) {
		b.Builder.Guest("other", "", b.Identity("reel", b.reel))
		b.Function(b.reel).Driver, b.Function(b.reel).NVMe = "vfio-pci", nil
		b.Run("other")
	}, "contention", assess.Stop, "guest other"},
	"a stranger has it in its definition": {func(b *bench) {
		b.Builder.Guest("other", "", b.Identity("reel", b.reel))
	}, "contention", assess.Caution, "other"},
	"a lodger would run while it is lent": {func(b *bench) {
		b.Builder.Guest("other", "/srv/shelf/other.qcow2")
		b.Run("other")
		b.shift = "day"
	}, "contention", assess.Stop, "other.qcow2"},
	"a lodger that is off": {func(b *bench) { b.Builder.Guest("other", "/srv/shelf/other.qcow2") },
		"contention", assess.Note, "other.qcow2"},
	"a guest lives on what it borrows": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "x", Image: "/srv/shelf/x.qcow2", Bus: "virtio"}}
		b.shift = "day"
	}, "contention", assess.Stop, "/srv/shelf"},
	"a shift that cannot run": {func(b *bench) {
		b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "grading"})
	}, "shift", assess.Caution, "catalogue"},
	"a planned shift that cannot run": {func(b *bench) {
		b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "grading"})
		b.shift = "night"
	}, "shift", assess.Stop, "catalogue"},
	"more memory pinned than there is": {func(b *bench) {
		b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: 64 << 30}
	}, "memory", assess.Stop, "16.0 GiB"},
	"more memory wanted than there is, none of it pinned": {func(b *bench) {
		b.layout.Guests[1].Memory = &spec.Memory{SizeBytes: 64 << 30}
		b.shift = "night"
	}, "memory", assess.Caution, "64.0 GiB"},
	"a controller on no known node": {func(b *bench) { b.near(2, 2, -1) }, "near", assess.Caution, "which of the host's 2 nodes"},
	"a host that shows no nodes": {func(b *bench) {
		b.near(2, 2, 1)
		b.Survey.Topology = facts.Topology{}
	}, "near", assess.Caution, "shows no NUMA nodes"},
	"more processors than whole cores": {func(b *bench) { b.near(2, 7, 1) }, "near", assess.Caution, "count = 6 fits"},
	"a node without memory": {func(b *bench) {
		b.near(2, 2, 1)
		b.Survey.Topology.Nodes[1].MemoryBytes = 0
	}, "near", assess.Caution, "slot of node 0"},
	"libvirt sees other cores": {func(b *bench) {
		b.near(2, 2, 1)
		b.Survey.Libvirt.Cells = []facts.Cell{{Node: 1, CPUs: "4-7,12-15", Cores: []string{"4", "5"}}}
	}, "near", assess.Caution, "cores 4,12 and 5,13"},
	"cores of another guest": {func(b *bench) {
		b.near(2, 6, 1)
		b.Builder.Guest("other", "/srv/images/other.qcow2")
		b.Edit("other", "<os", "<cputune><vcpupin vcpu='0' cpuset='6'/></cputune><os")
	}, "near", assess.Caution, "the others are of other"},
	"no pages of that size": {func(b *bench) {
		b.paged(gib, 16*gib)
		b.Survey.Topology.Nodes[1].HugePages = nil
		b.shift = "day"
	}, "huge-pages", assess.Stop, "take pages of a size that the host has"},
	"no pages of that size for a guest that is not started": {func(b *bench) {
		b.paged(16*gib, 16*gib)
	}, "huge-pages", assess.Caution, "no huge pages of 16.0 GiB"},
	"pages on no known node": {func(b *bench) {
		b.paged(2<<20, gib)
		b.layout.Guests[0].CPU.Near = nil
	}, "huge-pages", assess.Caution, "fewer than 512 of 2.0 MiB are free"},
	"pages on no known node, and it is to be started": {func(b *bench) {
		b.paged(2<<20, gib)
		b.layout.Guests[0].CPU.Near = nil
		b.shift = "day"
	}, "huge-pages", assess.Stop, "near = ..."},
	"pages that the layout does not state":                                 {func(b *bench) { b.pagesOf("grading", 511); b.shift = "day" }, "huge-pages", assess.Stop, "huge_pages = true in memory of guest grading"},
	"pages that the layout does not state, of a guest that is not started": {func(b *bench) { b.pagesOf("grading", 511) }, "huge-pages", assess.Caution, "finds 511"},
	"pages that were promised to others": {func(b *bench) {
		b.pagesOf("grading", 512)
		b.Survey.Machine.HugePages[0].Promised = 1
		b.shift = "day"
	}, "huge-pages", assess.Stop, "1 of the free ones are promised"},
	"pages that the kernel may make": {func(b *bench) {
		b.pagesOf("grading", 511)
		b.Survey.Machine.HugePages[0].Spare = 1
		b.shift = "day"
	}, "huge-pages", assess.Caution, "nr_overcommit_hugepages"},
	"pages of another size, on another node": {func(b *bench) {
		b.pagesOf("grading", 512)
		b.Edit("grading", "<hugepages/>", "<hugepages><page size='1' unit='GiB' nodeset='0'/></hugepages>")
		b.Edit("grading", "<os", "<cpu><numa><cell id='0' cpus='0' memory='1' unit='GiB'/></numa></cpu><numatune><memnode cellid='0' mode='strict' nodeset='1'/></numatune><os")
		b.shift = "day"
	}, "huge-pages", assess.Stop, "1 page of 1.0 GiB on node 1"},
	"pages that another guest may take": {func(b *bench) {
		b.pagesOf("grading", 512)
		b.pagesOf("catalogue", 1024)
		b.Edit("catalogue", "<os", "<numatune><memory mode='strict' nodeset='0'/></numatune><os")
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
		b.Survey.Topology.Nodes[0].HugePages[0].Free, b.Survey.Topology.Nodes[1].HugePages[0].Free = 600, 424
		b.shift = "day"
	}, "huge-pages", assess.Caution, "may find too few huge pages"},
	"more pages than the node has memory": {func(b *bench) {
		b.paged(gib, 16*gib)
		b.shift = "day"
	}, "huge-pages", assess.Stop, "All reserves of node 1 together would be 16.0 GiB"},
	"more pages than the node has memory, in another shift": {func(b *bench) { b.paged(gib, 16*gib); b.shift = "night" },
		"huge-pages", assess.Stop, "has too little memory for the huge pages"},
	"how many pages the node has room for": {func(b *bench) {
		b.paged(gib, 16*gib)
		b.shift = "day"
	}, "huge-pages", assess.Stop, "give these guests less memory, at most 15.0 GiB together (15 pages)"},
	"how many pages the free memory is enough for": {func(b *bench) {
		b.paged(gib, 4*gib)
		b.Survey.Topology.Nodes[1].FreeBytes = gib
		b.shift = "day"
	}, "huge-pages", assess.Caution, "at most 1.0 GiB together (1 page)"},
	"how much memory the node has left": {func(b *bench) {
		b.near(2, 2, 1)
		b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: 16 * gib}
		b.shift = "day"
	}, "node-memory", assess.Stop, "give the guests less memory, together less than 16.0 GiB"},
	"more pages than are free": {func(b *bench) {
		b.paged(gib, 4*gib)
		b.Survey.Topology.Nodes[1].FreeBytes = gib
		b.shift = "day"
	}, "huge-pages", assess.Caution, "1.0 GiB are free now"},
	"pages that a restart forgets": {func(b *bench) {
		b.paged(gib, 4*gib)
		b.startsWithHost("grading")
	}, "pages-at-boot", assess.Caution, "hugepagesz=1048576K hugepages=1:4"},
	"virtual functions that a restart takes away": {func(b *bench) {
		b.states(2, 1)
		b.counts(2)
		b.startsWithHost("grading")
	}, "order-at-boot", assess.Caution, "virsh autostart --disable grading"},
	"more memory than the node has": {func(b *bench) {
		b.near(2, 2, 1)
		b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: 16 * gib}
		b.shift = "day"
	}, "node-memory", assess.Stop, "take 16.0 GiB from node 1"},
	"more memory than is left beside the pages": {func(b *bench) {
		b.near(2, 2, 1)
		b.Survey.Topology.Nodes[1].HugePages[1].Total = 15
	}, "node-memory", assess.Caution, "15.0 GiB of it are reserved"},
	"more memory than huge pages for others leave": {func(b *bench) {
		b.paged(gib, 4*gib)
		b.layout.Guests[1].Memory = &spec.Memory{SizeBytes: 29 * gib}
		b.shift = "night"
	}, "memory", assess.Caution, "4.0 GiB are huge pages of none of them"},
	"a hard limit of no more than the memory": {func(b *bench) {
		b.limit(1024)
		b.shift = "day"
	}, "locked-memory", assess.Stop, "it cannot start"},
	"a hard limit of no more than the memory, not started": {func(b *bench) { b.limit(1024) },
		"locked-memory", assess.Caution, "it cannot start"},
	"a hard limit close to the memory": {func(b *bench) { b.limit(1536) },
		"locked-memory", assess.Caution, "raise it to 2.0 GiB"},
	"an IOMMU of the guest's own, and a limit": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", at)
		b.Device("grading", "<iommu model='intel'/>")
		b.limit(2048)
	}, "locked-memory", assess.Caution, "once for each device: 2.0 GiB"},
	"libvirt of one user": {func(b *bench) { b.Survey.Libvirt.URI = "qemu:///session" },
		"locked-memory", assess.Caution, "memlock"},
	"less for all guests than a shift locks": {func(b *bench) {
		b.Survey.Machine.LimitBytes = 1 << 30
		b.shift = "day"
	}, "locked-memory", assess.Stop, "locked 1.0 GiB: grading"},
	"less for all guests than another shift locks": {func(b *bench) {
		b.Survey.Machine.LimitBytes = 1 << 30
		b.shift = "night"
	}, "locked-memory", assess.Caution, "shift day locks more than all guests may have"},
	"partition to be mounted will hold no filesystem": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.Partitions[0].Format = ""
	}, "return-mount", assess.Caution, "states no format"},
	"partition to be mounted will hold none, and a guest waits for it": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.Partitions[0].Format = ""
		b.shift = "night"
	}, "return-mount", assess.Stop, "Guest catalogue is to be started"},
	"something else is mounted there": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.NVMe("RL-4410-0088", "x")
		b.Mount("nvme1n1p1", "/srv/shelf")
	}, "return-mount", assess.Stop, "/dev/nvme1n1p1"},
	"a mount in the shelf": {func(b *bench) {
		b.stray("tmpfs", "/srv/shelf/x")
	}, "stray-mount", assess.Stop, "unmount /srv/shelf/x"},
	"a mount where the shelf belongs, but is not": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.stray("overlay", "/srv/shelf/x")
	}, "stray-mount", assess.Stop, "overlay at /srv/shelf/x is not stated"},
	"an automount where the shelf is": {func(b *bench) {
		b.stray("autofs", "/srv/shelf")
		slices.Reverse(b.Survey.Mounts[1:])
	}, "stray-mount", assess.Stop, "x-systemd.automount"},
	"the shelf mounted twice": {func(b *bench) { b.Mount("nvme0n1p2", "/srv/shelf") }, "stray-mount", assess.Stop, "until nothing is mounted there"},
	"an overlay made of the shelf": {func(b *bench) {
		b.stray("overlay", "/merged")
		b.Survey.Mounts[len(b.Survey.Mounts)-1].SuperOptions = []string{"lowerdir=/srv/shelf/a:/x"}
	}, "host-use", assess.Stop, "mount /merged"},
	"image missing": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/games.qcow2", Bus: "virtio", SizeBytes: 1 << 30}}
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/games.qcow2", Missing: true})
	}, "guest-disk", assess.Caution, "qemu-img create -f qcow2 /srv/games.qcow2 1073741824"},
	"image missing, of a name that a shell would act on": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/$(x)", Bus: "virtio", SizeBytes: 1 << 30}}
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/$(x)", Missing: true})
	}, "guest-disk", assess.Caution, "qemu-img create -f qcow2 '/srv/$(x)' 1073741824"},
	"partition of a disk missing": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", PartitionID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Bus: "virtio"}}
	}, "guest-disk", assess.Caution, "by-partuuid"},
	"transient guest": {func(b *bench) {
		b.Run("catalogue")
		b.Survey.Libvirt.Guests[1].Kept = nil
	}, "guest-definition", assess.Stop, "transient"},
	"new guest without memory": {func(b *bench) { b.layout.Guests = append(b.layout.Guests, invented.Guest("new")) },
		"guest-definition", assess.Stop, "memory is not stated"},
	"a function that the layout does not declare": {func(b *bench) { b.Hold("grading", b.NVMe("RL-4410-0088")) },
		"undeclared", assess.Caution, "declare it: a controller"},
	"an undeclared function with mounted drives": {func(b *bench) {
		b.Hold("grading", b.NVMe("RL-4410-0088", "films"))
		b.Mount("nvme1n1p1", "/srv/films")
		b.shift = "day"
	}, "undeclared", assess.Stop, "mount /srv/films"},
	"an undeclared function with mounted drives, of a guest that stays off": {func(b *bench) {
		b.Hold("grading", b.NVMe("RL-4410-0088", "films"))
		b.Mount("nvme1n1p1", "/srv/films")
	}, "undeclared", assess.Caution, "mount /srv/films"},
	"an undeclared function with swap": {func(b *bench) {
		b.Hold("grading", b.NVMe("RL-4410-0088", "swap"))
		b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme1n1p1"}}
		b.shift = "day"
	}, "undeclared", assess.Stop, "swap /dev/nvme1n1p1"},
	"an undeclared network card that is up": {func(b *bench) {
		card := b.Card(b.reel, "e1000e")
		b.Function(card).Interfaces = []facts.Interface{{Name: "eth3", Up: true}}
		b.Hold("grading", card)
		b.shift = "day"
	}, "undeclared", assess.Stop, "eth3"},
	"an undeclared function in a group with others": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Card(at, "e1000e")
		b.Hold("grading", at)
		b.shift = "day"
	}, "undeclared", assess.Stop, "82574L"},
	"an undeclared function that is never lent": {func(b *bench) {
		b.Hold("grading", b.NVMe("RL-4410-0088"))
		b.layout.Host.NeverLend = []string{"RL-4410-0088"}
		b.shift = "day"
	}, "undeclared", assess.Stop, "never_lend"},
	"an undeclared function of which something is not known": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", at)
		b.Function(at).Gaps = []facts.Gap{{Fact: "nvme", Path: "/sys/x", Reason: "permission denied"}}
		b.shift = "day"
	}, "undeclared", assess.Stop, "permission denied"},
	"an undeclared function in no group": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", at)
		b.Function(at).Group = nil
		b.shift = "day"
	}, "undeclared", assess.Stop, "no IOMMU group"},
	"another controller of the layout, in arguments for QEMU": {func(b *bench) {
		b.arguments("catalogue", "vfio-pci,host=0000:01:00.0")
		b.shift = "night"
	}, "undeclared", assess.Stop, "controller reel"},
	"a function with mounted drives, in arguments for QEMU": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.arguments("catalogue", "vfio-pci,host=02:00.0")
		b.shift = "night"
	}, "undeclared", assess.Stop, "mount /srv/films"},
	"a mounted partition, in arguments for QEMU": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.arguments("catalogue", "file=/dev/nvme1n1p1,if=virtio")
		b.shift = "night"
	}, "host-disk", assess.Stop, "mount /srv/films"},
	"an address where nothing sits": {func(b *bench) {
		b.Hold("grading", facts.Address{Bus: 0x77})
		b.shift = "day"
	}, "undeclared", assess.Stop, "0000:77:00.0"},
	"virtual functions of what is lent": {func(b *bench) {
		b.Function(b.reel).Virtual = 2
		at := b.NVMe("RL-4410-0088", "films")
		b.Function(at).Parent = &b.reel
		b.Mount("nvme1n1p1", "/srv/films")
	}, "card", assess.Stop, "used by mount /srv/films"},
	"virtual functions of what is put aside": {func(b *bench) {
		b.Function(b.Card(b.reel, "e1000e")).Virtual = 1
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "card", assess.Stop, "sriov_numvfs"},
	"virtual functions of what is undeclared": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Function(at).Virtual = 2
		b.Hold("grading", at)
		b.shift = "day"
	}, "card", assess.Stop, "go offline"},
	"virtual functions of what a VFIO driver has": {func(b *bench) {
		at := b.Ethernet()
		b.Virtual(at, 2, 7, "")
		b.Function(at).Driver = "vfio-pci"
		b.Hold("grading", at)
		b.shift = "day"
	}, "card", assess.Stop, "0000:d0:10.1"},
	"a virtual function": {func(b *bench) { b.holdsVirtual() }, "virtual-function", assess.Note, "Invented Ethernet at 0000:d0:00.0, driver igb"},
	"a virtual function that is not there": {func(b *bench) {
		b.states(2, 2)
	}, "controller-identity", assess.Stop, "controller card has 2 virtual functions, and none of them is known to have the number 2"},
	"a virtual function that an order is yet to have made": {func(b *bench) {
		b.states(2, 3)
		b.counts(4)
	}, "virtual-count", assess.Caution, "controller card makes 4 virtual functions instead of 2 by this order"},
	"more virtual functions than a card can make": {func(b *bench) {
		b.states(2, 1)
		b.counts(8)
	}, "virtual-count", assess.Stop, "virtual_functions = 8"},
	"another number while a guest has one": {func(b *bench) {
		at := b.states(2, 1)
		b.counts(3)
		v := facts.NewIndex(&b.Survey).VirtualOf(at, 0).Address
		b.Builder.Guest("third", "")
		b.Hold("third", v)
		b.Run("third")
		b.Function(v).Driver = "vfio-pci"
	}, "virtual-count", assess.Stop, "guest third has 8086:10ca at 0000:d0:10.1"},
	"another number while the host uses one": {func(b *bench) {
		at := b.states(2, 1)
		b.counts(0)
		b.Function(facts.NewIndex(&b.Survey).VirtualOf(at, 0).Address).Interfaces = []facts.Interface{{Name: "eth9", Up: true}}
		b.layout.Guests[0].Borrows = b.layout.Guests[0].Borrows[:1]
	}, "virtual-count", assess.Stop, "network interface eth9"},
	"another number while the host uses the card": {func(b *bench) {
		at := b.states(2, 1)
		b.counts(3)
		b.Function(at).Interfaces[0].Up = true
	}, "virtual-count", assess.Caution, "network interface ether0"},
	"another number of a card that is on VFIO": {func(b *bench) {
		at := b.states(0, 1)
		b.counts(3)
		b.Function(at).Driver = "vfio-pci"
	}, "virtual-count", assess.Stop, "virtual_functions = 3"},
	"another number of a card without a driver": {func(b *bench) {
		at := b.states(0, 1)
		b.counts(3)
		b.Function(at).Driver = ""
	}, "virtual-count", assess.Stop, "virtual_functions = 3"},
	"a number of a card that does not say how many it can make": {func(b *bench) {
		at := b.states(2, 1)
		b.counts(2)
		b.Function(at).Gaps = []facts.Gap{{Fact: "most_virtual", Path: "/sys/x/sriov_totalvfs", Reason: "input/output error"}}
	}, "virtual-count", assess.Stop, "/sys/x/sriov_totalvfs"},
	"another number while one of a drive is online": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Function(b.Virtual(at, 1, 4, "nvme")[0]).NVMe = &facts.NVMe{Name: "nvme9", Model: "QEMU NVMe Ctrl", Serial: "RL-4410-0088", State: "live"}
		b.layout.Controllers = append(b.layout.Controllers, invented.Controller("card", "RL-4410-0088"))
		b.counts(2)
	}, "virtual-count", assess.Stop, "the host's nvme driver has QEMU NVMe Ctrl RL-4410-0088 at 0000:02:10.1"},
	"virtual functions of a drive, to be made": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Virtual(at, 0, 2, "")
		one := 1
		card := invented.Controller("card", "RL-4410-0088")
		card.VirtualFunctions = &one
		b.layout.Controllers = append(b.layout.Controllers, card)
	}, "virtual-count", assess.Caution, "sriov_numvfs"},
	"a virtual function of which nobody borrows anything": {func(b *bench) {
		b.states(2, 2)
		b.layout.Guests[0].Borrows = b.layout.Guests[0].Borrows[:1]
	}, "controller-identity", assess.Caution, "none of them is known to have the number 2"},
	"a virtual function of what is not there": {func(b *bench) {
		b.Function(b.states(2, 1)).Device++
	}, "controller-identity", assess.Stop, "its parent, controller card, was not found"},
	"a virtual function of what is on VFIO": {func(b *bench) {
		b.Function(b.states(2, 1)).Driver = "vfio-pci"
	}, "controller-identity", assess.Stop, "its parent, controller card, is aside"},
	"a virtual function by its kind": {func(b *bench) {
		b.states(1, 0)
		c := &b.layout.Controllers[len(b.layout.Controllers)-1]
		c.Virtual, c.PCI = nil, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10ca}
	}, "controller-identity", assess.Stop, "8086:10ca are virtual functions here, which are told by what makes them"},
	"a definition with a virtual function of another number": {func(b *bench) {
		at := b.states(2, 1)
		v := b.Survey.Functions[len(b.Survey.Functions)-2].Address
		r := b.Virtually("port", "card", v)
		r.Virtual.Number = 1
		b.Builder.Guest("third", "", r)
		b.Function(at).Slot = "3"
	}, "wrong-device", assess.Stop, "0000:d0:10.1"},
	"a virtual function of a drive that is never lent": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.layout.Host.NeverLend = []string{"RL-4410-0088"}
		b.Hold("grading", b.Virtual(at, 1, 2, "")[0])
		b.shift = "day"
	}, "undeclared", assess.Stop, "RL-4410-0088"},
	"a virtual function, stated, of a drive that is never lent": {func(b *bench) {
		b.Virtual(b.NVMe("RL-4410-0088"), 1, 2, "")
		b.layout.Host.NeverLend = []string{"RL-4410-0088"}
		b.layout.Controllers = append(b.layout.Controllers, invented.Controller("card", "RL-4410-0088"), invented.VirtualController("port", "card", 0))
		b.layout.Guests[0].Borrows = append(b.layout.Guests[0].Borrows, spec.Ref{Name: "port"})
	}, "protected", assess.Stop, "never_lend has RL-4410-0088"},
	"a virtual function whose parent is on VFIO": {func(b *bench) {
		b.Function(b.holdsVirtual()).Driver = "vfio-pci"
	}, "virtual-function", assess.Stop, "physfn"},
	"a virtual function whose parent another guest has": {func(b *bench) {
		at := b.holdsVirtual()
		b.Hold("catalogue", at)
		b.Run("catalogue")
		b.Function(at).Driver = "vfio-pci"
	}, "virtual-function", assess.Stop, "0000:d0:00.0"},
	"a virtual function whose parent cannot be asked": {func(b *bench) {
		f := b.Function(b.holdsVirtual())
		f.Driver, f.Gaps = "", []facts.Gap{{Fact: "driver", Path: "/sys/x", Reason: "input/output error"}}
	}, "virtual-function", assess.Stop, "physfn"},
	"a virtual function whose parent has no driver": {func(b *bench) {
		b.Function(b.holdsVirtual()).Driver = ""
	}, "virtual-function", assess.Caution, "driver (none)"},
	"a virtual function whose parent is not to be seen": {func(b *bench) {
		at := b.holdsVirtual()
		b.Survey.Functions = slices.DeleteFunc(b.Survey.Functions, func(f facts.Function) bool { return f.Address == at })
	}, "virtual-function", assess.Stop, "0000:d0:00.0"},
	"a virtual function of a drive that is offline": {func(b *bench) {
		b.Hold("grading", b.Virtual(b.NVMe("RL-4410-0088"), 1, 2, "")[0])
		b.shift = "day"
	}, "virtual-function", assess.Caution, "sriov_drivers_autoprobe"},
	"two virtual functions of a drive": {func(b *bench) {
		v := b.Virtual(b.NVMe("RL-4410-0088"), 2, 2, "")
		b.Function(v[1]).Driver = "vfio-pci"
		b.Hold("grading", v[0])
		b.shift = "day"
	}, "virtual-function", assess.Caution, "1b36:0011 at 0000:02:10.2"},
	"a virtual function of a drive that the host uses": {func(b *bench) {
		at := b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.Hold("grading", b.Virtual(at, 1, 2, "")[0])
		b.shift = "day"
	}, "undeclared", assess.Stop, "0000:02:10.1 > 0000:02:00.0 > nvme1n1 > nvme1n1p1 (films) > mount /srv/films"},
	"the card's other function is in use": {func(b *bench) {
		sibling := b.NVMe("RL-4410-0088", "films")
		b.Function(sibling).Address = facts.Address{Bus: b.reel.Bus, Function: 1}
		b.Survey.Functions[1].Interfaces = []facts.Interface{{Name: "eth3", Up: true}}
	}, "card", assess.Caution, "eth3"},
	"two guests of a shift hold one undeclared function": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", at)
		b.Hold("catalogue", at)
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
		b.shift = "day"
	}, "shared", assess.Stop, "RL-4410-0088"},
	"a guest outside the layout holds an undeclared function": {func(b *bench) {
		at := b.NVMe("RL-4410-0088")
		b.Hold("grading", at)
		b.Builder.Guest("other", "")
		b.Hold("other", at)
		b.Run("other")
		b.shift = "day"
	}, "shared", assess.Stop, "guests grading and other"},
	"two guests of a shift have one mediated device": {func(b *bench) {
		for _, name := range []string{"grading", "catalogue"} {
			b.Device(name, "<hostdev mode='subsystem' type='mdev' model='vfio-pci'><source><address uuid='4b20d080-1b54-4048-85b3-a6a62d165c01'/></source></hostdev>")
		}
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
		b.layout.Controllers[0].Return.Mounts = nil
		b.shift = "day"
	}, "shared", assess.Stop, "4b20d080"},
	"a running guest whose live definition could not be read": {func(b *bench) {
		b.Builder.Guest("other", "/srv/images/grading.qcow2")
		b.Run("other")
		b.Survey.Libvirt.Guests[2].Live = nil
		b.shift = "day"
	}, "shared", assess.Stop, "guests grading and other"},
	"two guests of a shift in one IOMMU group": {func(b *bench) {
		b.Hold("catalogue", b.Card(b.reel, "vfio-pci"))
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
		b.shift = "day"
	}, "shared", assess.Stop, "IOMMU group"},
	"two guests of a shift write one image": {func(b *bench) {
		b.Builder.Guest("second", "/srv/images/grading.qcow2")
		b.layout.Guests = append(b.layout.Guests, invented.Guest("second"))
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "second"})
		b.shift = "day"
	}, "shared", assess.Stop, "/srv/images/grading.qcow2"},
	"two guests of a shift that is not planned": {func(b *bench) {
		b.Builder.Guest("second", "/srv/images/grading.qcow2")
		b.layout.Guests = append(b.layout.Guests, invented.Guest("second"))
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "second"})
	}, "shared", assess.Caution, "/srv/images/grading.qcow2"},
	"one image, beside a guest that keeps running": {func(b *bench) {
		b.Builder.Guest("other", "/link/grading.qcow2")
		b.Survey.Paths[2].Resolved = "/srv/images/grading.qcow2"
		b.Run("other")
		b.shift = "day"
	}, "shared", assess.Stop, "/link/grading.qcow2"},
	"one writes what another is based on": {func(b *bench) {
		b.Builder.Guest("other", "/srv/images/other.qcow2")
		b.Survey.Paths[2].Backing = "/srv/images/grading.qcow2"
		b.Run("other")
		b.shift = "day"
	}, "shared", assess.Stop, "/srv/images/grading.qcow2"},
	"one has the partition that another's image lies on": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.Builder.Guest("other", "/srv/films/other.qcow2")
		b.Run("other")
		b.Device("grading", "<disk type='block' device='disk'><source dev='/dev/nvme1n1p1'/><target dev='vdz'/></disk>")
		b.shift = "day"
	}, "shared", assess.Stop, "/dev/nvme1n1p1"},
	"a partition that the host has mounted": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Block("nvme1n1p1").Links = []string{"disk/by-partuuid/4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11"}
		b.Mount("nvme1n1p1", "/srv/films")
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "films", PartitionID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Bus: "virtio"}}
		b.shift = "day"
	}, "host-disk", assess.Stop, "mount /srv/films"},
	"a mounted partition of a guest that stays off": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.Device("grading", "<disk type='block' device='disk'><source dev='/dev/nvme1n1p1'/><target dev='vdz'/></disk>")
	}, "host-disk", assess.Caution, "mount /srv/films"},
	"a mounted partition of a guest that is shut down": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mount("nvme1n1p1", "/srv/films")
		b.Device("grading", "<disk type='block' device='disk'><source dev='/dev/nvme1n1p1'/><target dev='vdz'/></disk>")
		b.Run("grading")
		b.shift = "night"
	}, "host-disk", assess.Stop, "mount /srv/films"},
	"a member of an array that runs": {func(b *bench) {
		b.NVMe("RL-4410-0088", "films")
		b.Mapper("md", "nvme1n1p1")
		b.Device("grading", "<disk type='block' device='disk'><source dev='/dev/nvme1n1p1'/><target dev='vdz'/></disk>")
		b.shift = "day"
	}, "host-disk", assess.Stop, "apart once nothing uses it: dmsetup remove "},
	"an image that a loop device has open": {func(b *bench) {
		b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/images/grading.qcow2"})
		b.shift = "day"
	}, "host-disk", assess.Stop, "loop0"},
	"a disc that the host changes": {func(b *bench) {
		b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/disc.iso"})
		b.Device("grading", "<disk type='file' device='cdrom'><source file='/srv/disc.iso'/><target dev='sdz'/></disk>")
		b.shift = "day"
	}, "host-disk", assess.Caution, "only reads"},
	"an image that no survey has seen": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/games.qcow2", Bus: "virtio"}}
		b.shift = "day"
	}, "guest-disk", assess.Stop, "not in the survey"},
	"an image that no survey has seen, of a guest that stays off": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/games.qcow2", Bus: "virtio"}}
	}, "guest-disk", assess.Caution, "not in the survey"},
	"an image that cannot be read whole": {func(b *bench) {
		b.Survey.Paths[0].Gap = "permission denied"
		b.shift = "day"
	}, "guest-disk", assess.Caution, "permission denied"},
	"what an image is based on is missing": {func(b *bench) {
		b.Survey.Paths[0].Backing = "/srv/images/base.qcow2"
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/images/base.qcow2", Missing: true})
		b.shift = "day"
	}, "guest-disk", assess.Stop, "/srv/images/base.qcow2"},
	"partition missing, and the guest is to be started": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", PartitionID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Bus: "virtio"}}
		b.shift = "day"
	}, "guest-disk", assess.Stop, "by-partuuid"},
	"a network card that is up and would be put aside": {func(b *bench) {
		b.Function(b.Card(b.reel, "e1000e")).Interfaces = []facts.Interface{{Name: "eth3", Up: true}}
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "host-use", assess.Stop, "network interface eth3"},
	"a keyboard on a controller that is borrowed": {func(b *bench) {
		b.Function(b.reel).Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Sort: "keyboard", Product: "Key Works K1"}}
	}, "host-use", assess.Stop, "1-2 > device keyboard Key Works K1 (usb 1-2) (the host's driver usbhid has it)"},
	"a keyboard, aimed at the shift that lends the controller": {func(b *bench) {
		b.Function(b.reel).Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Sort: "keyboard", Product: "Key Works K1"}}
		b.shift = "day"
	}, "host-use", assess.Stop, "1-2 > device keyboard Key Works K1 (usb 1-2)"},
	"a keyboard, aimed at a shift in which the controller stays": {func(b *bench) {
		b.Function(b.reel).Attached = []facts.Attached{{Name: "1-2", Class: "usb", Driver: "usbhid", Sort: "keyboard", Product: "Key Works K1"}}
		b.shift = "night"
	}, "host-use", assess.Caution, "1-2 > device keyboard Key Works K1 (usb 1-2)"},
	"a volume, aimed at a shift in which the controller stays": {func(b *bench) {
		b.Mount(b.Mapper("vg-films", "nvme0n1p1"), "/srv/films")
		b.shift = "night"
	}, "host-use", assess.Stop, "(vg-films) > mount /srv/films"},
	"swap on a drive that is written in a shift in which the controller stays": {func(b *bench) {
		moving(b)
		b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1"}}
		b.shift = "night"
	}, "host-use", assess.Stop, "swap /dev/nvme0n1"},
	"a network card that stays aside in every shift": {func(b *bench) {
		b.Function(b.Card(b.reel, "e1000e")).Interfaces = []facts.Interface{{Name: "eth3", Up: true}}
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
		b.shift = "night"
	}, "host-use", assess.Stop, "network interface eth3"},
	"the session of whoever orders, over a bridge": {func(b *bench) {
		b.Function(b.reel).Interfaces = []facts.Interface{{Name: "eth3", Built: []facts.Built{{Name: "br0", On: "eth3", Addresses: []string{"192.0.2.7/24"}}}}}
		b.Survey.Sessions = []facts.Session{{Address: "192.0.2.7", Who: "sshd (pid 77)"}}
	}, "host-use", assess.Stop, "eth3 > br0 > session sshd (pid 77), which comes over 192.0.2.7"},
	"a card in a bridge, though down": {func(b *bench) {
		b.Function(b.reel).Interfaces = []facts.Interface{{Name: "eth3", Built: []facts.Built{{Name: "br0", On: "eth3", Kind: "bridge"}}}}
	}, "host-use", assess.Stop, "eth3 > network interface br0 (bridge)"},
	"the host's console on a card that is borrowed": {func(b *bench) {
		b.Function(b.reel).Attached = []facts.Attached{{Name: "fb0", Class: "graphics", Shows: facts.ShowsConsole}}
	}, "host-use", assess.Stop, "console fb0 (the host's console is on it)"},
	"a driver of which nothing shows who uses it": {func(b *bench) {
		b.Function(b.Card(b.reel, "ccp")).Class = 0x108000
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "host-use", assess.Stop, "unknown the kernel, maybe: nothing shows who uses what its driver ccp does"},
	"the last display": {func(b *bench) {
		b.Function(b.Card(b.reel, "bochs-drm")).Class = 0x038000
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	}, "only-display", assess.Caution, "0000:01:01.0/class"},
	"the last display but for those that show nothing": {func(b *bench) {
		b.Function(b.Card(b.reel, "bochs-drm")).Class = 0x038000
		b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
		for i, class := range []uint32{0x030000, 0x030200, 0x030000} {
			f := b.Function(b.Ethernet())
			f.Class, f.Driver = class, []string{"", "nouveau", "nouveau"}[i]
			if i == 2 {
				f.Parent = &facts.Address{Bus: 0xd0}
			}
		}
	}, "only-display", assess.Caution, "0000:01:01.0/class"},
	"huge pages of no size": {func(b *bench) { // of a survey that somebody has made up
		b.paged(0, 4*gib)
		b.Survey.Topology.PageSize, b.Survey.Machine.HugePages = 0, []facts.Pages{{Free: 1}}
	}, "huge-pages", assess.Caution, "a size that nobody names"},
	"the last display is not the first function of its slot": {func(b *bench) {
		at := b.screen()
		b.Function(at).Class = 0x040300
		at.Function = 1
		b.Function(at).Class = 0x030000
	}, "only-display", assess.Caution, "0000:e0:00.1/class"},
	"a card whose interface is nowhere to be seen": {func(b *bench) {
		b.Function(b.reel).Gaps = []facts.Gap{{Fact: facts.GapInterfaces, Path: "/sys/class/net", Reason: "another namespace may have it"}}
	}, "host-use", assess.Stop, "that is not seen, maybe"},
	"memory pinned by what is not declared": {func(b *bench) {
		b.Hold("catalogue", b.NVMe("RL-4410-0088"))
		b.layout.Guests[1].Memory = &spec.Memory{SizeBytes: 64 << 30}
		b.shift = "night"
	}, "memory", assess.Stop, "64.0 GiB"},
	"memory pinned by a guest outside the layout": {func(b *bench) {
		b.Builder.Guest("other", "")
		b.Hold("other", b.NVMe("RL-4410-0088"))
		b.Run("other")
		b.Survey.Libvirt.Guests[2].Live.MemoryBytes = 16 << 30
		b.shift = "day"
	}, "memory", assess.Stop, "other"},
	"gap below what is lent": {func(b *bench) {
		b.Function(b.reel).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys/x/driver", Reason: "permission denied"}}
	}, "gap", assess.Stop, "permission denied"},
	"libvirt does not answer": {func(b *bench) {
		b.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "libvirt", Reason: "connection refused"}}
	}, "gap", assess.Stop, "connection refused"},
	"libvirt does not answer, and nothing is borrowed": {func(b *bench) {
		b.layout.Guests[0].Borrows = nil
		b.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "libvirt", Reason: "connection refused"}}
	}, "gap", assess.Caution, "connection refused"},
	"fewer lanes than it can use": {func(b *bench) {
		b.Function(b.reel).Link = &facts.Link{SpeedMTps: 8000, Width: 2, MaxSpeedMTps: 8000, MaxWidth: 4}
	}, "link", assess.Note, "2 of 4 lanes"},
	"a partition on a drive that nobody looked into": {func(b *bench) {
		b.layout.Controllers[0].Drive.Partitions = append(b.layout.Controllers[0].Drive.Partitions, spec.Partition{Name: "attic", SizeBytes: 1 << 30})
	}, "partition", assess.Stop, "nothing was read of it"},
	"a partition on a drive in use": {func(b *bench) {
		b.Look("nvme0n1")
		b.layout.Controllers[0].Drive.Partitions = append(b.layout.Controllers[0].Drive.Partitions, spec.Partition{Name: "attic", SizeBytes: 1 << 30})
	}, "partition", assess.Stop, "mount /srv/shelf"},
	"a partition that a guest names before it is there": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.CopyOf = ""
		b.layout.Controllers[0].Drive.Partitions = []spec.Partition{{Name: "attic", SizeBytes: 1 << 20, Format: "xfs"}}
		b.Edit("catalogue", "</devices>", "<disk type='block'><source dev='/dev/nvme0n1p1'/><target dev='vdx'/></disk></devices>")
	}, "partition", assess.Stop, "named by guest catalogue"},
	"a partition that is made for a guest": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.CopyOf = ""
		b.layout.Controllers[0].Drive.Partitions = []spec.Partition{{Name: "attic", SizeBytes: 1 << 20}}
		b.Edit("catalogue", "</devices>", "<disk type='block'><source dev='/dev/disk/by-partlabel/attic'/><target dev='vdx'/></disk></devices>")
	}, "partition", assess.Caution, "named by guest catalogue"},
	"a copied partition that a pool names": {func(b *bench) {
		moving(b)
		b.Survey.Libvirt.Pools = append(b.Survey.Libvirt.Pools, facts.Pool{Name: "attic", Kind: "fs", Sources: []string{"/dev/disk/by-partuuid/5f0c3b1e-0000-4000-8000-0000000000e1"}})
	}, "partition", assess.Stop, "named by pool attic"},
	"more than fits": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.Partitions = []spec.Partition{{Name: "attic", SizeBytes: 3 << 30}}
	}, "partition", assess.Stop, "free: 1.0 GiB"},
	"less than its filesystem takes": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.Partitions = []spec.Partition{{Name: "attic", SizeBytes: 300<<20 - 4096, Format: "xfs"}}
	}, "partition", assess.Stop, "300.0 MiB"},
	"a damaged table": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Look("nvme0n1").Table.Backup = facts.Damaged
		b.layout.Controllers[0].Drive.Partitions = append(b.layout.Controllers[0].Drive.Partitions, spec.Partition{Name: "attic", SizeBytes: 1 << 20})
	}, "partition", assess.Stop, "backup damaged"},
	"a drive of the never_lend list": {func(b *bench) {
		moving(b)
		b.layout.Host.NeverLend = []string{"RL-4410-0073"}
	}, "partition", assess.Stop, "never written"},
	"another filesystem than stated": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Look("nvme0n1")
		b.layout.Controllers[0].Drive.Partitions[0].Format = "ext4"
		b.layout.Controllers[0].Drive.Partitions = append(b.layout.Controllers[0].Drive.Partitions, spec.Partition{Name: "attic", SizeBytes: 1 << 20})
	}, "partition", assess.Caution, "holds xfs, not ext4"},
	"nothing known on a partition that was there": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Block("nvme0n1p2").Signature = nil
		b.Look("nvme0n1")
	}, "partition", assess.Caution, "erase = "},
	"partitions on an MBR": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Table.Kind = "dos"
	}, "partition", assess.Stop, "GPT alone"},
	"a system that moves: how it starts is not known": {moving, "copy", assess.Caution, "INACCESSIBLE_BOOT_DEVICE"},
	"a drive that is too small": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").SizeBytes = 3 << 30
	}, "copy", assess.Stop, "the drive 2.0 GiB"},
	"sectors of another size": {func(b *bench) {
		moving(b)
		b.Function(b.reel).NVMe.Namespaces[0].SectorBytes, b.content("nvme0n1").SectorBytes = 4096, 4096
	}, "copy", assess.Stop, "sectors of 4096"},
	"a drive that is not blank": {func(b *bench) {
		moving(b)
		c := b.content("nvme0n1")
		c.Blank, c.Signature = false, &facts.Signature{Kind: "ext4", Label: "old"}
	}, "copy", assess.Stop, "erase = \"RL-4410-0073\""},
	"a member with a table in it": {func(b *bench) {
		b.layout.Controllers[0].Drive = &spec.Drive{At: b.layout.Controllers[0].At, Partitions: []spec.Partition{{Name: "attic", SizeBytes: 1 << 20, At: b.layout.Controllers[0].At}}}
		b.Look("nvme0n1").Signature = &facts.Signature{Kind: "drbd", Usage: "raid"}
	}, "partition", assess.Stop, "drbd as a whole, and in it a partition table"},
	"a member with a table in it that may be erased": {func(b *bench) {
		b.layout.Controllers[0].Drive = &spec.Drive{At: b.layout.Controllers[0].At, Erase: "RL-4410-0073", Partitions: []spec.Partition{{Name: "attic", SizeBytes: 1 << 20, At: b.layout.Controllers[0].At}}}
		b.Look("nvme0n1").Signature = &facts.Signature{Kind: "drbd", Usage: "raid"}
	}, "partition", assess.Caution, "drbd as a whole, and in it a partition table"},
	"a member that holds the system": {func(b *bench) {
		moving(b)
		c := b.content("nvme0n1")
		c.Blank, c.Table, c.Signature = false, b.content("/srv/images/grading.qcow2").Table, &facts.Signature{Kind: "drbd", Usage: "raid"}
		b.layout.Controllers[0].Drive.Erase = "RL-4410-0073"
	}, "partition", assess.Stop, "more than its system"},
	"a filesystem for a member": {func(b *bench) {
		b.Block("nvme0n1p2").Signature = &facts.Signature{Kind: "LVM2_member", Usage: "raid"}
		b.layout.Controllers[0].Drive = &spec.Drive{At: b.layout.Controllers[0].At, Erase: "RL-4410-0073", Partitions: []spec.Partition{{Name: "shelf", Format: "xfs", At: b.layout.Controllers[0].At}}}
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Look("nvme0n1")
	}, "partition", assess.Stop, "with erase neither"},
	"a mount of a member": {func(b *bench) {
		b.Block("nvme0n1p2").Signature = &facts.Signature{Kind: "crypto_LUKS", Usage: "crypto"}
		b.Survey.Mounts = b.Survey.Mounts[:1]
	}, "return-mount", assess.Stop, "take the mount out of the layout"},
	"a mount of what only the bytes show to be a member": {func(b *bench) {
		b.Look("nvme0n1").Volumes[1].Signature = &facts.Signature{Kind: "newer", Usage: "unknown"}
		b.Survey.Mounts = b.Survey.Mounts[:1]
	}, "return-mount", assess.Stop, "take the mount out of the layout"},
	"a card like the one that is stated, of which the maker cannot be read": {func(b *bench) {
		for i := range 2 {
			f := b.Function(b.Network(fmt.Sprint("eth", i)))
			f.SubsystemVendor, f.SubsystemDevice = 0x1043, 1
			if i == 1 {
				f.SubsystemDevice = 0
				f.Gaps = []facts.Gap{{Fact: "subsystem_device", Path: "/sys/x", Reason: "permission denied"}}
			}
		}
		card := invented.NetworkController("card")
		card.PCI.Subsystem = "1043:0001"
		b.layout.Controllers = append(b.layout.Controllers, card)
		b.layout.Guests[0].Borrows = append(b.layout.Guests[0].Borrows, spec.Ref{Name: "card"})
	}, "controller-identity", assess.Stop, "2 functions of the host are 8086:10c9"},
	"a mount of what a guest of nobody's has as its disk, while its controller stays": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Builder.Guest("other", "/dev/nvme0n1p2")
		b.Run("other")
		b.shift = "night"
	}, "return-mount", assess.Stop, "nvme0n1p2 (shelf) > guest other"},
	"a mount of a drive that a guest has as a whole": {func(b *bench) {
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Builder.Guest("other", "/dev/nvme0n1")
		b.Run("other")
		b.shift = "night"
	}, "return-mount", assess.Stop, "nvme0n1 > guest other"},
	"an image that is marked as a whole": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Signature = &facts.Signature{Kind: "isw_raid_member", Usage: "raid"}
	}, "copy", assess.Stop, "more than its table"},
	"a drive that may be erased": {func(b *bench) {
		moving(b)
		c := b.content("nvme0n1")
		c.Blank, c.Signature = false, &facts.Signature{Kind: "ext4", Label: "old"}
		b.layout.Controllers[0].Drive.Erase = "RL-4410-0073"
	}, "copy", assess.Caution, "ext4 \"old\""},
	"a hibernated system": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Volumes[1].Condition = facts.Hibernated
	}, "copy", assess.Stop, "powercfg /h off"},
	"a system that was not shut down": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Volumes[1].Condition = facts.Dirty
	}, "copy", assess.Caution, "power cut"},
	"a filesystem of which nothing is known": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Volumes[1].Condition = facts.UnsureIfClean
	}, "copy", assess.Caution, "could not be read"},
	"another guest runs from the image": {func(b *bench) {
		moving(b)
		b.Builder.Guest("spare", "/srv/images/grading.qcow2")
		b.Run("spare")
	}, "copy", assess.Stop, "shut down guest spare"},
	"an image of which nobody says the format": {func(b *bench) {
		moving(b)
		b.System("/srv/images/old.qcow2")
		b.layout.Controllers[0].Drive.CopyOf, b.layout.Controllers[0].Drive.CopyFormat = "/srv/images/old.qcow2", ""
	}, "copy", assess.Stop, `copy_of = image("/srv/images/old.qcow2", "qcow2")`},
	"an image of which nobody says the format any more": {func(b *bench) {
		moving(b)
		b.layout.Controllers[0].Drive.CopyOf, b.layout.Controllers[0].Drive.CopyFormat = "/srv/images/old.qcow2", ""
		b.content("nvme0n1").Table, b.content("nvme0n1").Blank = b.content("/srv/images/grading.qcow2").Table, false
	}, "copy", assess.Caution, "is taken for the system"},
	"an image of which layout and definition say another format": {func(b *bench) {
		moving(b)
		b.Device("grading", "<disk type='file'><driver name='qemu' type='raw'/><source file='/srv/images/grading.qcow2'/><target dev='vdy'/></disk>")
	}, "copy", assess.Stop, "the layout says qcow2, guest grading says qcow2, guest grading says raw"},
	"an image that was looked into as another format": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Format = "raw"
	}, "copy", assess.Stop, "take the survey again"},
	"an image that is based on a file elsewhere": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Behind = []facts.ImageFile{{Path: "/etc/shadow", Format: "raw", SizeBytes: 900, Stamp: "1"}}
	}, "copy", assess.Caution, "/etc/shadow"},
	"a new disk of which nobody says the format": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/games", Bus: "virtio"}}
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/games", Resolved: "/srv/games", Format: "qcow2"})
	}, "guest-definition", assess.Stop, `format = "qcow2"`},
	"a disk that another guest reads in another way": {func(b *bench) {
		b.layout.Guests[0].Disks = []spec.Disk{{Name: "games", Image: "/srv/games", Format: "qcow2", Bus: "virtio"}}
		b.Device("catalogue", "<disk type='file'><driver name='qemu' type='raw'/><source file='/srv/games'/><target dev='vdy'/></disk>")
	}, "guest-disk", assess.Stop, "guest catalogue says raw"},
	"an image without a table": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Table = nil
	}, "copy", assess.Stop, "no installed system"},
	"an image without an ESP": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Volumes[0].ESP = false
	}, "copy", assess.Caution, "no EFI system partition"},
	"an image without a loader": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Volumes[0].Loaders = []string{`\EFI\debian\grubx64.efi`}
	}, "copy", assess.Caution, "grub-install --removable"},
	"an image that cannot be read": {func(b *bench) {
		moving(b)
		b.content("/srv/images/grading.qcow2").Gaps = []facts.Gap{{Fact: "content", Path: "/srv/images/grading.qcow2", Reason: "it is encrypted"}}
	}, "copy", assess.Stop, "it is encrypted"},
	"an image that is gone after it was copied": {func(b *bench) {
		moving(b)
		b.content("nvme0n1").Table, b.content("nvme0n1").Blank = b.content("/srv/images/grading.qcow2").Table, false
		b.Survey.Contents = b.Survey.Contents[:1]
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/images/grading.qcow2", Missing: true})
	}, "copy", assess.Note, "take copy_of out"},
	"a twin of the image": {func(b *bench) {
		moving(b)
		b.System("/srv/images/grading-old.qcow2")
	}, "copy", assess.Caution, "same identity"},
	"a system of which nobody knows anything": {moving, "copy", assess.Caution, "driver is not known: no installed system was seen on /srv/images/grading.qcow2"},
	"a system that was seen to start": {func(b *bench) { b.seen("windows", facts.Present, facts.Present, facts.Present) },
		"copy", assess.Note, "image /srv/images/grading.qcow2, where it is: fast startup: it is present"},
	"a driver that an order mends": {func(b *bench) { b.seen("windows", facts.Absent, facts.Present, facts.Present) },
		"copy", assess.Note, "the order lets grading's NVMe driver start at boot"},
	"a driver that nobody can mend": {func(b *bench) {
		b.seen("windows", facts.Absent, facts.Present, facts.Present)
		b.content(image).System.Answers[0].Mendable = false
	}, "copy", assess.Stop, "INACCESSIBLE_BOOT_DEVICE"},
	"a driver that nobody can mend, of a guest that stays off": {func(b *bench) {
		b.seen("windows", facts.Absent, facts.Present, facts.Present)
		b.content(image).System.Answers[0].Mendable = false
		b.shift = "night"
	}, "copy", assess.Caution, "INACCESSIBLE_BOOT_DEVICE"},
	"drive encryption": {func(b *bench) { b.seen("windows", facts.Present, facts.Absent, facts.Present) },
		"copy", assess.Caution, "have the recovery key at hand"},
	"fast startup": {func(b *bench) { b.seen("windows", facts.Present, facts.Present, facts.Absent) },
		"copy", assess.Caution, "where it is: fast startup: it is absent"},
	"a restart that is waited for": {func(b *bench) {
		b.seen("windows", facts.Present, facts.Present, facts.Present)
		i := b.content(image).System
		i.Answers = append(i.Answers, facts.Answer{Question: facts.AsksPending, Says: facts.Absent, Seen: "CBS: RebootPending"})
	}, "copy", assess.Caution, "CBS: RebootPending"},
	"an initramfs without the driver": {func(b *bench) {
		b.seen("linux", facts.Absent, facts.Present, facts.Present)
		b.content(image).System.Name = "Fedora Linux 39"
	}, "copy", assess.Stop, "dracut -f --regenerate-all"},
	"names of the old disk": {func(b *bench) { b.seen("linux", facts.Present, facts.Absent, facts.Present) },
		"copy", assess.Stop, "lsblk -o NAME,UUID"},
	"a loader that leads nowhere": {func(b *bench) { b.seen("linux", facts.Present, facts.Present, facts.Absent) },
		"copy", assess.Stop, "update-grub"},
	"another system than is stated": {func(b *bench) {
		b.seen("linux", facts.Present, facts.Present, facts.Present)
		b.layout.Guests[0].System = "windows"
	}, "copy", assess.Stop, `take system = "windows" out`},
	"a system of a kind that nobody knows": {func(b *bench) {
		b.seen("plan9", facts.Present, facts.Present, facts.Present)
		b.layout.Guests[0].System = ""
	}, "copy", assess.Caution, "state system"},
	"a drive whose system lacks its driver": {func(b *bench) {
		b.Look("nvme0n1").System = invented.Installed("linux", invented.Settled("linux", facts.Absent))
		b.shift = "day"
	}, "loader", assess.Stop, "guest grading lacks its NVMe driver at start"},
	"a drive whose Windows may have another driver": {func(b *bench) {
		b.Look("nvme0n1").System = invented.Installed("windows", invented.Settled("windows", facts.Absent))
		b.shift = "day"
	}, "loader", assess.Caution, "INACCESSIBLE_BOOT_DEVICE"},
	"a drive whose system names disks as the kernel does": {func(b *bench) {
		b.Look("nvme0n1").System = invented.Installed("linux", map[facts.Matter]facts.Held{facts.AsksNames: facts.Absent})
		b.shift = "day"
	}, "loader", assess.Caution, "names its old disk"},
	"a system that is not stated": {func(b *bench) {
		moving(b)
		b.layout.Guests[0].System = ""
	}, "copy", assess.Caution, "state system"},
	"a drive that is lent": {func(b *bench) {
		moving(b)
		b.Builder.Survey.Libvirt.Guests = b.Survey.Libvirt.Guests[1:]
		b.Builder.Guest("grading", "", b.Identity("reel", b.reel))
		b.Run("grading")
		f := b.Function(b.reel)
		f.Driver, f.NVMe = "vfio-pci", nil
	}, "copy", assess.Note, "not looked into while it is lent"},
	"starts are not guarded, and cannot be": {func(b *bench) { b.Survey.Guard.Program = false },
		"unguarded", assess.Caution, "--shift"},
	"starts will be guarded, once libvirt knows": {func(b *bench) {},
		"unguarded", assess.Caution, "systemctl reload libvirtd"},
	"starts will be guarded": {func(b *bench) { b.Survey.Guard.Others = true },
		"unguarded", assess.Note, "beside those that are there"},
	"the guard's hook is not run": {func(b *bench) {
		b.Survey.Guard.GuardFiles = facts.GuardFiles{Hook: "#!/bin/sh\n" + facts.GuardMark + "\n", Rules: "{}\n", HookMode: "0644"}
	}, "unguarded", assess.Caution, "mode 0644"},
	"a return mount that trusts files of guests": {func(b *bench) {
		b.layout.Controllers[0].Return.Mounts[0].Options = []string{"nodev", "suid"}
	}, "trusting-mount", assess.Caution, "options nodev, suid"},
	"a return mount that was made without": {func(b *bench) { b.Survey.Mounts[1].Options = []string{"rw", "nodev"} },
		"trusting-mount", assess.Caution, "mount -o remount,nosuid /srv/shelf"},
	"a link on the shelf leads away": {func(b *bench) { b.leads("/srv/shelf/catalogue.qcow2", "/etc/shadow") },
		"led-out", assess.Stop, "/srv/shelf/catalogue.qcow2 leads to /etc/shadow"},
	"a link on the shelf leads a guest away that no layout states": {func(b *bench) {
		b.Builder.Guest("stranger", "/srv/shelf/x.qcow2")
		b.leads("/srv/shelf/x.qcow2", "/etc/shadow")
	}, "led-out", assess.Caution, "a file of guest stranger"},
	"another hook has the guard's name": {func(b *bench) { b.Survey.Guard.Hook = "#!/bin/sh\n" },
		"unguarded", assess.Caution, "qemu.d/lendkeep"},
	"the guard without its program": {func(b *bench) {
		b.Survey.Guard = facts.InstalledGuard{GuardFiles: facts.GuardFiles{Hook: "#!/bin/sh\n" + facts.GuardMark + "\n", Rules: "{}\n"}}
	}, "unguarded", assess.Stop, "lendkeep-hook"},
	"rules that others may write": {func(b *bench) {
		b.Survey.Guard.Gaps = []facts.Gap{{Fact: "guard.rules", Path: facts.GuardRules, Reason: "others than root may write it"}}
	}, "unguarded", assess.Caution, "others than root may write it"},
	"no systemd": {func(b *bench) {}, "unwatched", assess.Note, "watch --once"},
	"the watch without its program": {func(b *bench) { b.Survey.Watch.Systemd = true },
		"unwatched", assess.Caution, "/usr/bin/lendkeep"},
	"another unit has the watch's name": {func(b *bench) {
		b.Survey.Watch = facts.InstalledWatch{Systemd: true, WatchFiles: facts.WatchFiles{Unit: "[Unit]\n"}}
	},
		"unwatched", assess.Caution, "lendkeep-watch.service"},
	"a unit that others may write": {func(b *bench) {
		b.Survey.Watch = facts.InstalledWatch{Systemd: true, Gaps: []facts.Gap{{Fact: "watch.unit", Path: facts.WatchUnit, Reason: "others than root may write it"}}}
	}, "unwatched", assess.Caution, "others than root may write it"},
}

func TestFindings(t *testing.T) {
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			var found []assess.Finding
			for _, f := range b.findings() {
				assert.LessOrEqual(t, len([]rune(f.Summary)), 60, f.Summary)
				assert.NotEmpty(t, f.Summary)
				assert.NotEmpty(t, f.Detail, f.Summary)
				assert.NotEmpty(t, f.Causes, f.Summary)
				assert.NotEmpty(t, f.Remedies, f.Summary)
				if f.Check == c.check && f.Severity == c.severity {
					found = append(found, f)
				}
			}
			require.NotEmpty(t, found, "%+v", b.findings())
			assert.Contains(t, whole(found), c.tells)
		})
	}
}

// whole is everything that findings tell.
func whole(list []assess.Finding) string {
	var b strings.Builder
	for _, f := range list {
		b.WriteString(f.Summary + "\n" + f.Detail + "\n" + strings.Join(f.Remedies, "\n"))
		for _, cause := range f.Causes {
			b.WriteString(cause.Path + ": " + cause.Value + "\n")
		}
	}
	return b.String()
}

func TestEveryCheckHasACase(t *testing.T) {
	for _, name := range assess.Names() {
		tested := false
		for _, c := range cases {
			tested = tested || c.check == name
		}
		assert.True(t, tested, name)
	}
}

// A controller of the layout that no guest borrows makes its group viable.
// A controller that is stated but nowhere on the host is kept aside for nobody's sake.
// What ends a use is said by what made it; a mount is only offered to the layout that
// a return rule could make.
func TestEndsOfUsesAreNamed(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		says   string
		not    string
	}{
		"md":                     {func(b *bench) { b.Block(b.Mapper("x", "nvme0n1p1")).Array = "raid1" }, "mdadm --stop /dev/dm-", "dmsetup"},
		"LUKS":                   {func(b *bench) { b.Block(b.Mapper("vault 1", "nvme0n1p1")).Mapper.UUID = "CRYPT-LUKS2-1-x" }, "cryptsetup close 'vault 1'", "dmsetup"},
		"LVM":                    {func(b *bench) { b.Block(b.Mapper("vg--0-root", "nvme0n1p1")).Mapper.UUID = "LVM-1" }, "lvchange --activate n vg-0/root", "dmsetup"},
		"others":                 {func(b *bench) { b.Mapper("odd", "nvme0n1p1") }, "dmsetup remove odd", "lvchange"},
		"a mount of a partition": {func(b *bench) { b.Mount("nvme0n1p1", "/mnt/x") }, "let the layout do it: return", "lvchange"},
		"a mount of what is built on it": {func(b *bench) {
			on := b.Mapper("vg-lv", "nvme0n1p1")
			b.Block(on).Signature = &facts.Signature{Kind: "ext4", Usage: "filesystem"}
			b.Mount(on, "/mnt/x")
		}, "unmount /mnt/x", "let the layout do it"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			said := whole(findings(b, "host-use"))
			assert.Contains(t, said, c.says)
			assert.NotContains(t, said, c.not)
		})
	}
}

func TestWhatIsNowhereIsKeptAsideForNobody(t *testing.T) {
	b := newBench()
	b.layout.Controllers = append(b.layout.Controllers, invented.Controller("spool", "RL-4410-0099"))
	c := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
	assert.Empty(t, c.KeptAside(c.Found("spool")))
}

func TestCompanionMakesAGroupViable(t *testing.T) {
	b := newBench()
	b.Card(b.reel, "e1000e")
	require.True(t, assess.Stops(b.findings()))
	b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
	assert.False(t, assess.Stops(b.findings()))
}

// A guest of the layout that runs from a partition of a controller's drive may do
// so while nobody borrows it.
func TestGuestOnAPartitionOfWhatIsLentAnotherTime(t *testing.T) {
	b := newBench()
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.Device("catalogue", "<disk type='block' device='disk'><source dev='/dev/nvme0n1p1'/><target dev='vdz'/></disk>")
	b.Run("catalogue")
	b.shift = "night"
	assert.False(t, assess.Stops(b.findings()), "%+v", b.findings())
	b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
	b.shift = "day"
	assert.True(t, assess.Stops(b.findings()))
}

// All functions of a slot are one controller, of which nothing but the card is to be
// told.
func TestWholeSlotIsOneController(t *testing.T) {
	b := newBench()
	b.screen()
	b.shift = "day"
	assert.False(t, assess.Stops(b.findings()), "%+v", b.findings())
	for _, f := range b.findings() {
		assert.NotContains(t, []string{"reset", "twins", "goes-along"}, f.Check, "%+v", f)
	}
	found := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Found("screen")
	assert.Len(t, found.Functions, 2)
	assert.Equal(t, "0=10de:2484/1043:8790 1=10de:228b/1043:8790", found.Identity().Functions.String())
}

// Each case looks like one that would be told, and is none.
func TestNoNoise(t *testing.T) {
	together := func(b *bench, device string) {
		b.Device("grading", device)
		b.Device("catalogue", device)
		b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "catalogue"})
		b.layout.Controllers[0].Return.Mounts = nil
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/common", Resolved: "/srv/common", Format: "raw"})
		b.shift = "day"
	}
	for name, change := range map[string]func(*bench){
		"a display that is lent while another one stays": func(b *bench) {
			b.Function(b.Card(b.reel, "bochs-drm")).Class = 0x038000
			b.Function(b.NVMe("RL-4410-0088")).Class = 0x030000
			b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
		},
		"a disc in two guests": func(b *bench) {
			together(b, "<disk type='file' device='cdrom'><source file='/srv/common'/><target dev='sdz'/></disk>")
		},
		"a disk meant for both": func(b *bench) {
			together(b, "<disk type='file' device='disk'><source file='/srv/common'/><target dev='vdz'/><shareable/></disk>")
		},
		"a disk that both only read": func(b *bench) {
			together(b, "<disk type='file' device='disk'><source file='/srv/common'/><target dev='vdz'/><readonly/></disk>")
		},
		"a folder of both": func(b *bench) {
			together(b, "<filesystem type='mount'><source dir='/srv/common'/><target dir='common'/></filesystem>")
		},
		"two guests outside the layout share all that can be shared": func(b *bench) {
			at := b.NVMe("RL-4410-0088", "films")
			for _, name := range []string{"one", "two"} {
				b.Builder.Guest(name, "/srv/images/common.qcow2")
				b.Hold(name, at)
				b.Run(name)
			}
			b.Mount("nvme1n1p1", "/srv/films")
			b.shift = "day"
		},
		"a disc that is mounted on the host, read only": func(b *bench) {
			b.Device("grading", "<disk type='file' device='cdrom'><source file='/srv/common'/><target dev='sdz'/></disk>")
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: "/srv/common", Resolved: "/srv/common", Format: "raw"})
			b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "loop0", Devno: facts.Devno{Major: 7}, BackingFile: "/srv/common", ReadOnly: true})
			b.shift = "day"
		},
		"a bus reset that hits nothing else": func(b *bench) {
			b.behindPort("bus").Upstream = nil
		},
		"a reset that breaks it, but the kernel knows": func(b *bench) { b.is(0x1b21, 0x1164, "pm") },
		"an interrupt that vfio-pci hides":             func(b *bench) { b.is(0x8086, 0x1572, "flr", "bus") },
		"what vfio-pci would refuse has it already": func(b *bench) {
			b.is(0x8086, 0x37c8, "flr")
			b.Function(b.reel).Driver, b.shift = "vfio-pci", "night"
		},
		"a card that may not come back, but has a reset of its own": func(b *bench) { b.is(0x1002, 0x67df, "device_specific", "bus") },
		"a kernel that does not say how it resets": func(b *bench) {
			b.Survey.Machine.Kernel = "5.10.0-30-amd64"
			b.is(0x144d, 0xa804)
		},
		"a group of which all goes along": func(b *bench) {
			b.joined()
			b.layout.Controllers = append(b.layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}})
		},
		"a hard limit with room": func(b *bench) { b.limit(2048) },
		"a hard limit of a guest without a lent device": func(b *bench) {
			b.Edit("catalogue", "</os>", "</os><memtune><hard_limit unit='MiB'>16</hard_limit></memtune>")
		},
		"room for all guests that lock":                func(b *bench) { b.Survey.Machine.LimitBytes = 1<<30 + 1 },
		"asleep with power":                            func(b *bench) { b.Function(b.reel).PowerState = "D3hot" },
		"in a power state that nobody knows, and read": func(b *bench) { b.Function(b.reel).PowerState = "unknown" },
		"an idle link": func(b *bench) {
			b.wayUp(facts.Link{SpeedMTps: 2500, Width: 4, MaxSpeedMTps: 16000, MaxWidth: 4}, facts.Link{SpeedMTps: 2500, MaxSpeedMTps: 16000, MaxWidth: 16}, facts.Link{})
		},
		"interrupts that are remapped": func(b *bench) {
			b.Survey.Machine.CommandLine = "intremap=off intremap=on"
			b.Survey.Machine.Units = []facts.IOMMUUnit{{Name: "dmar0", Extended: 0xf00f4a}, {Name: "ivhd0"}}
			b.Survey.Machine.VFIO = []facts.ModuleSetting{{Name: "vfio_iommu_type1.allow_unsafe_interrupts", Value: "Y"}}
		},
		"a port that keeps apart": func(b *bench) { b.joined().ACS = &facts.ACS{Can: 0x5f, On: 0x1d} },
		"regions that fit": func(b *bench) {
			b.regions(facts.BAR{SizeBytes: 16 << 20}, facts.BAR{Index: 1, SizeBytes: 16 << 30, Wide: true, Prefetch: true}, facts.BAR{Index: 3, SizeBytes: 32 << 20, Wide: true, Prefetch: true})
		},
		"regions that fit since the firmware was told": func(b *bench) {
			b.Edit("grading", "</os>", "</os><sysinfo type='fwcfg'><entry name='opt/ovmf/X-PciMmio64Mb'>65536</entry></sysinfo>")
			b.regions(facts.BAR{Index: 1, SizeBytes: 64 << 30, Wide: true, Prefetch: true})
		},
		"tables that QEMU mends": func(b *bench) {
			f := b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 8 << 10})
			f.MSIX, f.Vendor, f.Device, f.Class = &facts.MSIX{Vectors: 9, PBAOffset: 0x8000}, 0x1425, 0x5801, 0x020000
		},
		"tables as drives have them": func(b *bench) {
			b.regions(facts.BAR{Start: 0xfe000000, SizeBytes: 16 << 10, Wide: true}).MSIX = &facts.MSIX{Vectors: 33, TableOffset: 0x3000, PBAOffset: 0x2000}
		},
		"a graphics card with a ROM of its own": func(b *bench) {
			b.display().OptionROM = &facts.OptionROM{SizeBytes: 128 << 10}
			b.Function(b.NVMe("RL-4410-0099")).Class = 0x030000 // the host's own
		},
		"a graphics card with a ROM file": func(b *bench) {
			b.display()
			b.Function(b.NVMe("RL-4410-0099")).Class = 0x030000
			b.Hold("grading", b.reel)
			b.Edit("grading", "</hostdev>", "<rom file='/usr/share/qemu/x.rom'/></hostdev>")
		},
		"an image on a drive that comes home first": func(b *bench) {
			b.Builder.Guest("third", "/srv/shelf/third.qcow2")
			b.Survey.Paths = b.Survey.Paths[:2]
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.layout.Guests = append(b.layout.Guests, invented.Guest("third"))
			b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "third"})
			b.shift = "night"
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			change(b)
			for _, f := range b.findings() {
				assert.NotContains(t, []string{"undeclared", "card", "shared", "host-disk", "guest-disk", "memory", "reset", "quirk", "override", "only-display", "registers", "aperture", "option-rom", "acs", "link", "iommu", "power", "locked-memory"}, f.Check, "%+v", f)
			}
		})
	}
}
