package invented

import (
	"fmt"
	"strings"

	"pgregory.net/rapid"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// donorDriver stands for the sha256 of the driver that Bare's donor holds.
const donorDriver = "0a1b2c3d4e5f"

// donorShell stands for that of its UEFI Shell.
const donorShell = "5e115e115e11"

// Bare has every UEFI guest of the host start with firmware that cannot read
// NVMe, and has a donor that can at /fw/donor.fd.
func (b *Builder) Bare() {
	b.Survey.Descriptors = []facts.Descriptor{{File: "60.json", Image: "/fw/bare.fd", UEFI: true,
		Targets: []facts.MachineTarget{{Architecture: "x86_64", Machines: []string{"pc-q35-*"}}}}}
	b.Survey.Firmware = []facts.Firmware{
		{Path: "/fw/bare.fd", SHA256: "ba", NVMe: facts.Absent, Shell: facts.Absent, Virtio: facts.Present},
		{Path: "/fw/donor.fd", SHA256: "d0", NVMe: facts.Present, Shell: facts.Present, Driver: donorDriver, ShellSum: donorShell}}
}

// Reads has every UEFI guest of the host start with firmware that reads NVMe.
func (b *Builder) Reads() {
	b.Bare()
	b.Survey.Firmware[0].NVMe = facts.Present
}

// ESP makes a partition of a drive that was looked into an EFI system partition
// with these programs on it.
func (b *Builder) ESP(partition string, loaders ...string) facts.SystemPartition {
	part := b.Block(partition)
	part.Partition.Type = facts.TypeESP
	part.Signature = &facts.Signature{Kind: "vfat", Usage: "filesystem"}
	for i := range b.Survey.Contents {
		c := &b.Survey.Contents[i]
		if c.Of != part.Whole {
			continue
		}
		for i, e := range c.Table.Entries {
			if e.Number == part.Partition.Number {
				c.Table.Entries[i].Type, c.Volumes[i].ESP = facts.TypeESP, true
				c.Volumes[i].Signature, c.Volumes[i].Loaders = part.Signature, loaders
				return facts.SystemPartition{Number: e.Number, ID: e.ID, First: e.First, Sectors: e.Last - e.First + 1}
			}
		}
	}
	return facts.SystemPartition{}
}

// Variables gives a guest a variable store of its own with these boot entries
// in their order.
func (b *Builder) Variables(guest string, entries ...facts.BootEntry) string {
	path := "/var/lib/libvirt/qemu/nvram/" + guest + "_VARS.fd"
	for i := range b.Survey.Libvirt.Guests {
		g := &b.Survey.Libvirt.Guests[i]
		if g.Name != guest {
			continue
		}
		kept, err := definition.Read(strings.Replace(g.Kept.XML, "</os>", "<nvram>"+path+"</nvram></os>", 1))
		if err != nil {
			panic(err) // a mistake in a test's own input
		}
		g.Kept = &kept
	}
	for i := range entries {
		entries[i].Number, entries[i].Place, entries[i].Active = uint16(i), i+1, true
	}
	b.Survey.Stores = append(b.Survey.Stores, facts.VariableStore{Path: path, Keys: facts.Absent, SHA256: "57" + guest, Raw: true, Entries: entries})
	return path
}

// Shim states a shim from Bare's donor.
func Shim(name, as string) spec.Shim {
	return spec.Shim{Name: name, Donor: "/fw/donor.fd", As: as, At: place()}
}

// firmware gives some hosts firmware that cannot read NVMe, and what earlier
// orders have left in the folders for option ROMs and shim disks.
func (r *random) firmware() {
	if !r.chance(50, "firmware without NVMe") {
		r.b.Reads()
		return
	}
	r.b.Bare()
	if r.chance(5, "no folder for ROMs") {
		r.b.Survey.ROMGap, r.b.Survey.ShimGap = "file does not exist", "file does not exist"
		return
	}
	for n, at := range r.at {
		name := fmt.Sprintf("c%d", n)
		rom := facts.PlacedROM{ROM: facts.ROMFor(r.b.Identity(name, at), donorDriver)}
		shim := facts.PlacedShim{Shim: facts.ShimFor(name, facts.Shim{Driver: donorDriver, Shell: donorShell})}
		switch rapid.IntRange(0, 9).Draw(r.t, "placed") {
		case 0:
			rom.ROM, rom.Why = facts.ROM{Path: rom.Path}, "it is none"
			shim.Shim, shim.Why = facts.Shim{Path: shim.Path}, "it is none"
		case 1:
			rom.Device++
			shim.Loader = `\other.efi`
		case 2, 3:
		default:
			continue
		}
		r.b.Survey.ROMs, r.b.Survey.Shims = append(r.b.Survey.ROMs, rom), append(r.b.Survey.Shims, shim)
	}
}

// systems makes the first partition of some drives an EFI system partition, with
// or without a program that firmware finds.
func (r *random) systems() {
	for _, at := range r.at {
		f := r.b.Function(at)
		if f.NVMe == nil || !r.chance(60, "looked into") {
			continue
		}
		drive := f.NVMe.Namespaces[0].Block
		if part := r.b.Block(drive + "p1"); part == nil {
			continue
		}
		r.b.Look(drive)
		switch rapid.IntRange(0, 3).Draw(r.t, "system") {
		case 0:
			r.b.ESP(drive + "p1")
		case 1:
			r.b.ESP(drive+"p1", ownLoader)
		default:
			r.b.ESP(drive+"p1", facts.Fallback, ownLoader)
		}
	}
}

const ownLoader = `\EFI\own.efi`

// starts states shims and boot entries for guests that boot from what they
// borrow, and gives some of them variables of their own.
func (r *random) starts(layout *spec.Layout) {
	for i := range layout.Guests {
		g := &layout.Guests[i]
		if g.Boots == nil {
			continue
		}
		if r.chance(50, "UEFI is stated") {
			g.Firmware = "uefi"
		}
		if r.chance(40, "boot entry") {
			g.Entry = &spec.Loader{Path: rapid.SampledFrom([]string{ownLoader, facts.Fallback}).Draw(r.t, "loader"), At: place()}
		}
		if r.chance(60, "variables") {
			entry := facts.BootEntry{Label: "own", Short: true, File: ownLoader, Partition: "00000000-0000-4000-8000-000000000001"}
			r.b.Variables(g.Name, []facts.BootEntry{{Label: "network"}, entry}[rapid.IntRange(0, 2).Draw(r.t, "entries from"):2]...)
		}
		if r.chance(70, "shim") {
			s := Shim("s-"+g.Name, rapid.SampledFrom([]string{"rom", "disk"}).Draw(r.t, "as"))
			layout.Shims = append(layout.Shims, s)
			g.Shim = &spec.Ref{Name: s.Name, At: place()}
		}
	}
}
