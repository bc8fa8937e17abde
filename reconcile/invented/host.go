// Package invented makes hosts and layouts up for tests and benchmarks: small
// ones by hand, random ones, and one of any size. Nothing in it was seen on a
// real machine. Start at Builder and Random.
package invented

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Builder puts a host together device by device.
type Builder struct {
	Survey facts.Survey
	nvmes  int
}

// NewBuilder begins with a host that has an IOMMU, a root filesystem on a
// virtual disk, the guard's program but no guard, and nothing that could be
// lent.
func NewBuilder() *Builder {
	b := &Builder{Survey: facts.Survey{
		Format:  facts.Format,
		TakenAt: time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC),
		Machine: facts.Machine{Name: "larch", Kernel: "6.1.0-56-amd64", CommandLine: "intel_iommu=on", MemoryBytes: 16 << 30, CPUs: 8, IOMMUs: 1},
		Guard:   facts.InstalledGuard{Program: true},
		Libvirt: facts.Virtualization{URI: "test:///invented", GuestType: "kvm", Emulator: "/usr/bin/qemu-system-x86_64"},
	}}
	b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "vda", Devno: facts.Devno{Major: 254}, SectorBytes: 512, SizeBytes: 40 << 30,
		Signature: &facts.Signature{Kind: "ext4", Usage: "filesystem"}})
	b.Mount("vda", "/")
	return b
}

// NVMe adds a controller with one drive in a group of its own, and gives its
// address. Partitions are named; each holds an xfs filesystem.
func (b *Builder) NVMe(serial string, partitions ...string) facts.Address {
	n := b.nvmes
	b.nvmes++
	group := 100 + n
	at := facts.Address{Segment: uint16(n / 200), Bus: uint8(n%200) + 1}
	name := fmt.Sprintf("nvme%d", n)
	drive := name + "n1"
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{
		Address: at, Vendor: 0x1b36, Device: 0x0010, Class: facts.ClassNVMe, Driver: "nvme", Group: &group, NUMANode: -1,
		ResetMethods: []string{"flr", "bus"}, DeviceName: "QEMU NVM Express Controller",
		NVMe: &facts.NVMe{Name: name, Serial: serial, Model: "QEMU NVMe Ctrl", State: "live",
			Namespaces: []facts.Namespace{{ID: 1, Block: drive, SizeBytes: 2 << 30, SectorBytes: 512}}},
	})
	major := 1000 + uint32(n)
	b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: drive, Devno: facts.Devno{Major: major}, Controller: &at, SizeBytes: 2 << 30, SectorBytes: 512})
	for i, part := range partitions {
		b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{
			Name: fmt.Sprintf("%sp%d", drive, i+1), Devno: facts.Devno{Major: major, Minor: uint32(i + 1)}, Controller: &at, Whole: drive, SectorBytes: 512,
			Partition: &facts.Partition{Number: i + 1, Name: part, ID: fmt.Sprintf("%08x-0000-4000-8000-%012x", n, i+1)},
			Signature: &facts.Signature{Kind: "xfs", Usage: "filesystem", Label: part},
		})
	}
	return at
}

// Look notes what is on a drive of the builder as if it had been looked into:
// blank, or a GPT with the partitions that it was made with.
func (b *Builder) Look(name string) *facts.Content {
	drive := b.Block(name)
	c := facts.Content{Of: name, SizeBytes: drive.SizeBytes, SectorBytes: drive.SectorBytes}
	last := drive.SizeBytes/drive.SectorBytes - 1
	t := &facts.Table{Kind: "gpt", ID: fmt.Sprintf("%08x-0000-4000-8000-00000000d15c", drive.Devno.Major), FirstUsable: 34, LastUsable: last - 33, BackupAt: last,
		Primary: facts.Sound, Backup: facts.Sound}
	for i := range b.Survey.Blocks {
		part := &b.Survey.Blocks[i]
		if part.Whole != name {
			continue
		}
		// Builders give partitions no place; here each gets 64 MiB.
		first := uint64(part.Partition.Number) * 131072
		part.Partition.StartBytes, part.SizeBytes = first*512, 64<<20
		t.Entries = append(t.Entries, facts.Entry{Number: part.Partition.Number, First: first, Last: first + 131071, ID: part.Partition.ID,
			Type: "0fc63daf-8483-4772-8e79-3d69d8477de4", Name: part.Partition.Name})
		v := facts.Volume{Number: part.Partition.Number, Signature: part.Signature, Condition: facts.Clean}
		if slices.ContainsFunc(b.Survey.Mounts, func(m facts.Mount) bool { return m.Devno == part.Devno }) {
			v.Condition, v.Why = facts.Dirty, "it is mounted"
		}
		c.Volumes = append(c.Volumes, v)
	}
	if c.Table = t; len(t.Entries) == 0 {
		c.Table, c.Blank = nil, true
	}
	b.Survey.Contents = append(b.Survey.Contents, c)
	return &b.Survey.Contents[len(b.Survey.Contents)-1]
}

// System notes what is in an image: an installed system with an EFI system
// partition and a volume of its own, on 1 GiB.
func (b *Builder) System(image string) *facts.Content {
	const sectors = 1 << 21
	b.Survey.Contents = append(b.Survey.Contents, facts.Content{Of: image, Image: true, Format: "qcow2", SizeBytes: sectors * 512, SectorBytes: 512, DataBytes: 300 << 20, Stamp: "1",
		Table: &facts.Table{Kind: "gpt", ID: "5f0c3b1e-0000-4000-8000-0000000000a1", FirstUsable: 34, LastUsable: sectors - 34, BackupAt: sectors - 1, Primary: facts.Sound, Backup: facts.Sound,
			Entries: []facts.Entry{
				{Number: 1, First: 2048, Last: 206847, ID: "5f0c3b1e-0000-4000-8000-0000000000e1", Type: facts.TypeESP, Name: "EFI system partition"},
				{Number: 2, First: 206848, Last: 2095103, ID: "5f0c3b1e-0000-4000-8000-0000000000e2", Type: "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7", Name: "Basic data partition"},
			}},
		Volumes: []facts.Volume{
			{Number: 1, ESP: true, Loaders: []string{facts.Fallback}, Signature: &facts.Signature{Kind: "vfat", Usage: "filesystem"}, Condition: facts.Clean},
			{Number: 2, Signature: &facts.Signature{Kind: "ntfs", Usage: "filesystem", UUID: "0A1B2C3D4E5F6071"}, Condition: facts.Clean},
		}})
	return &b.Survey.Contents[len(b.Survey.Contents)-1]
}

// Holds notes the installed system of an image that was looked into: what is known
// of each question, a driver that is absent being one that can be mended.
func (b *Builder) Holds(image, kind string, says map[facts.Matter]facts.Held) {
	for i := range b.Survey.Contents {
		if c := &b.Survey.Contents[i]; c.Of == image {
			c.System = Installed(kind, says)
			c.System.Partition = 2
		}
	}
}

// Says notes what a running guest answers of its own system.
func (b *Builder) Says(guest, kind string, says map[facts.Matter]facts.Held) {
	answered := Installed(kind, says)
	answered.Guest, answered.AskedAt = guest, b.Survey.TakenAt
	b.Survey.Asked = append(b.Survey.Asked, *answered)
}

// Installed gives an installed system of which that is known; Windows without its
// driver can be mended.
func Installed(kind string, says map[facts.Matter]facts.Held) *facts.Installed {
	i := &facts.Installed{Kind: kind, Name: "invented " + kind}
	for _, q := range append(facts.Matters(kind), facts.AsksPending) {
		if held := says[q]; held != "" {
			i.Answers = append(i.Answers, facts.Answer{Question: q, Says: held, Where: "where it is", Seen: "it is " + string(held),
				Mendable: kind == "windows" && q == facts.AsksDriver && held == facts.Absent})
		}
	}
	return i
}

// Settled gives each question about a kind of system the same answer.
func Settled(kind string, held facts.Held) map[facts.Matter]facts.Held {
	says := map[facts.Matter]facts.Held{}
	for _, q := range facts.Matters(kind) {
		says[q] = held
	}
	return says
}

// Card adds a network card in the group of another function.
func (b *Builder) Card(with facts.Address, driver string) facts.Address {
	at := with
	at.Slot = 1
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{
		Address: at, Vendor: 0x8086, Device: 0x10d3, Class: 0x020000, Driver: driver, Group: b.Function(with).Group, NUMANode: -1,
		ResetMethods: []string{"flr"}, DeviceName: "82574L Gigabit Network Connection",
	})
	return at
}

// Function gives the function at an address.
func (b *Builder) Function(at facts.Address) *facts.Function {
	for i := range b.Survey.Functions {
		if b.Survey.Functions[i].Address == at {
			return &b.Survey.Functions[i]
		}
	}
	return nil
}

// Block gives the block device of a kernel name.
func (b *Builder) Block(name string) *facts.Block {
	for i := range b.Survey.Blocks {
		if b.Survey.Blocks[i].Name == name {
			return &b.Survey.Blocks[i]
		}
	}
	return nil
}

// Mount mounts a block device.
func (b *Builder) Mount(device, path string) {
	block := b.Block(device)
	b.Survey.Mounts = append(b.Survey.Mounts, facts.Mount{Devno: block.Devno, Root: "/", Path: path,
		Kind: block.Signature.Kind, Source: "/dev/" + device, Options: []string{"rw", "nosuid", "nodev", "noatime"}})
}

// Mapper builds a device mapper volume on block devices.
func (b *Builder) Mapper(title string, on ...string) string {
	name := fmt.Sprintf("dm-%d", len(b.Survey.Blocks))
	for _, lower := range on {
		block := b.Block(lower)
		block.Holders = append(block.Holders, name)
	}
	b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: name, Devno: facts.Devno{Major: 253, Minor: uint32(len(b.Survey.Blocks))},
		Mapper: &facts.Mapper{Name: title, UUID: "LVM-" + title}, Links: []string{"mapper/" + title},
		Signature: &facts.Signature{Kind: "ext4", Usage: "filesystem"}})
	return name
}

const anImage = "/srv/images/an-image-of-it"

// Guest adds a guest that is off, with one image and these controllers in its
// definition.
func (b *Builder) Guest(name, image string, lent ...facts.Identity) {
	w := definition.Wanted{Name: name, Type: "kvm", CPUs: 1, MemoryBytes: 1 << 30, Firmware: "uefi"}
	if image != "" {
		w.Disks = []definition.Disk{{Name: "system", Source: anImage, Kind: "file", Format: "qcow2", Bus: "virtio"}}
		if !slices.ContainsFunc(b.Survey.Paths, func(p facts.Path) bool { return p.Named == image }) {
			b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: image, Resolved: image, Format: "qcow2"})
		}
	}
	for _, r := range lent {
		w.Borrows = append(w.Borrows, definition.Borrowed{Identity: r})
	}
	xml, _, err := definition.Create(w)
	if err != nil {
		panic(err) // a mistake in a test's own input
	}
	xml = strings.Replace(xml, anImage, image, 1) // lendkeep makes no guest whose disk is just anywhere; others do
	uuid := fmt.Sprintf("%08d-0000-4000-8000-000000000000", len(b.Survey.Libvirt.Guests))
	xml = strings.Replace(xml, "</name>\n", "</name>\n  <uuid>"+uuid+"</uuid>\n", 1) // libvirt gives every guest one
	kept, err := definition.Read(xml)
	if err != nil {
		panic(err)
	}
	b.Survey.Libvirt.Guests = append(b.Survey.Libvirt.Guests, facts.Guest{Name: name, UUID: uuid,
		Condition: "shut off", Kept: &kept})
}

// running adds what libvirt adds to the definition of a guest that it starts
// (measured with libvirt 9.0.0: virsh dumpxml beside virsh dumpxml --inactive).
var running = strings.NewReplacer("<domain ", "<domain id='7' ", "</disk>", "<backingStore/><alias name='virtio-disk0'/></disk>",
	"</interface>", "<alias name='net0'/></interface>", "</hostdev>", "<alias name='hostdev0'/></hostdev>",
	"</domain>", "<seclabel type='dynamic' model='dac' relabel='yes'><label>+64055:+64055</label></seclabel></domain>")

// Run has a guest run; what its definition lends must be lent by hand.
func (b *Builder) Run(name string) {
	for i := range b.Survey.Libvirt.Guests {
		if g := &b.Survey.Libvirt.Guests[i]; g.Name == name {
			live, err := definition.Read(running.Replace(g.Kept.XML))
			if err != nil {
				panic(err) // a mistake in a test's own input
			}
			g.Live, g.Running, g.Condition = &live, true, "running"
		}
	}
}

// Device adds a device to the kept definition of a guest.
func (b *Builder) Device(guest, xml string) { b.Edit(guest, "</devices>", xml+"</devices>") }

// Edit replaces a text in the kept definition of a guest, where it first stands.
func (b *Builder) Edit(guest, old, with string) {
	for i := range b.Survey.Libvirt.Guests {
		if g := &b.Survey.Libvirt.Guests[i]; g.Name == guest {
			d, err := definition.Read(strings.Replace(g.Kept.XML, old, with, 1))
			if err != nil {
				panic(err) // a mistake in a test's own input
			}
			g.Kept = &d
		}
	}
}

// Hold adds a PCI function to the kept definition of a guest, without a word of
// which controller is meant.
func (b *Builder) Hold(guest string, at facts.Address) {
	b.Device(guest, fmt.Sprintf("<hostdev mode='subsystem' type='pci' managed='yes'><source><address domain='0x%04x' bus='0x%02x' slot='0x%02x' function='0x%x'/></source></hostdev>",
		at.Segment, at.Bus, at.Slot, at.Function))
}

// Identity gives the record by which a guest knows a controller of the builder.
func (b *Builder) Identity(name string, at facts.Address) facts.Identity {
	f := b.Function(at)
	r := facts.Identity{Controller: name, Address: at, Vendor: f.Vendor, Device: f.Device}
	if f.NVMe != nil {
		r.Serial = f.NVMe.Serial
	}
	return r
}

// Virtually gives the record of a virtual function, made by a controller of that name.
func (b *Builder) Virtually(name, of string, at facts.Address) facts.Identity {
	f := b.Function(at)
	parent := b.Identity(of, *f.Parent)
	r := facts.Identity{Controller: name, Address: at, Vendor: f.Vendor, Device: f.Device}
	r.Virtual = facts.VirtualOf{Controller: of, Number: *f.VirtualNumber, Address: parent.Address, Vendor: parent.Vendor, Device: parent.Device, Serial: parent.Serial}
	return r
}

// Controller states an NVMe controller in a layout; mounts come in pairs of
// partition name and path.
func Controller(name, serial string, mounts ...string) spec.Controller {
	c := spec.Controller{Name: name, NVMe: &spec.NVMeIdentity{Serial: serial}, At: place(),
		Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()}}
	for i := 0; i+1 < len(mounts); i += 2 {
		if c.Drive == nil {
			c.Drive = &spec.Drive{At: place()}
		}
		c.Drive.Partitions = append(c.Drive.Partitions, spec.Partition{Name: mounts[i], Rest: i == 0, SizeBytes: 1 << 30, Format: "xfs", At: place()})
		c.Return.Mounts = append(c.Return.Mounts, spec.Mount{Partition: mounts[i], Path: mounts[i+1], Options: spec.Hardened([]string{"noatime"}), At: place()})
	}
	return c
}

// Guest states a guest in a layout that borrows these controllers and boots
// from the first.
func Guest(name string, borrows ...string) spec.Guest {
	g := spec.Guest{Name: name, Stop: time.Minute, At: place()}
	for _, controller := range borrows {
		g.Borrows = append(g.Borrows, spec.Ref{Name: controller, At: place()})
	}
	if len(borrows) > 0 {
		g.Boots = &g.Borrows[0]
	}
	return g
}

// Shift states a shift.
func Shift(name string, guests ...string) spec.Shift {
	s := spec.Shift{Name: name, At: place()}
	for _, g := range guests {
		s.Guests = append(s.Guests, spec.Ref{Name: g, At: place()})
	}
	return s
}

// Layout puts a layout together.
func Layout(controllers []spec.Controller, guests []spec.Guest, shifts ...spec.Shift) *spec.Layout {
	return &spec.Layout{Dir: "layout", Hash: "invented", Host: spec.Host{Name: "larch", Libvirt: "qemu:///system", At: place()},
		Controllers: controllers, Guests: guests, Shifts: shifts}
}

func place() spec.Place { return spec.Place{File: "invented.hcl", Line: 1, Column: 1} }
