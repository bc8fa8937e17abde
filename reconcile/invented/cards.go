package invented

import (
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// The numbers of what Storage and Ethernet add.
const (
	maker    pci.ID = 0x8086
	storage  pci.ID = 0x2922
	ethernet pci.ID = 0x10c9
)

// Storage adds a SATA controller with disks that udev knows by these names below
// /dev/disk/by-id, empty: by none; each has one filesystem. It has an IOMMU group of
// its own.
func (b *Builder) Storage(ids ...string) facts.Address {
	at, group := facts.Address{Bus: 0xc0}, 60
	for b.Function(at) != nil {
		at.Bus, group = at.Bus+1, group+1
	}
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: at, Vendor: maker, Device: storage, Class: 0x010601, Driver: "ahci", Group: &group, NUMANode: -1,
		ResetMethods: []string{"bus"}, DeviceName: "Invented Storage"})
	b.disks(at, ids...)
	return at
}

// disks hangs SCSI disks on a function, as Storage says.
func (b *Builder) disks(at facts.Address, ids ...string) {
	n := 0
	for _, block := range b.Survey.Blocks {
		if block.Whole == "" && strings.HasPrefix(block.Name, "sd") {
			n++
		}
	}
	for i, id := range ids {
		name, minor := "sd"+string(rune('a'+n+i)), uint32(16*(n+i))
		disk := facts.Block{Name: name, Devno: facts.Devno{Major: 8, Minor: minor}, Controller: &at, SizeBytes: 1 << 30, SectorBytes: 512}
		if id != "" {
			disk.Links = []string{"disk/by-path/" + name, "disk/by-id/" + id}
		}
		b.Survey.Blocks = append(b.Survey.Blocks, disk, facts.Block{Name: name + "1", Devno: facts.Devno{Major: 8, Minor: minor + 1}, Controller: &at, Whole: name, SectorBytes: 512,
			Partition: &facts.Partition{Number: 1}, Signature: &facts.Signature{Kind: "ext4", Usage: "filesystem"}})
	}
}

// Mirror builds a mirror (md) of that kernel name on block devices.
func (b *Builder) Mirror(name string, on ...string) {
	for _, lower := range on {
		block := b.Block(lower)
		block.Holders = append(block.Holders, name)
	}
	b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: name, Devno: facts.Devno{Major: 9, Minor: uint32(len(b.Survey.Blocks))}, SizeBytes: 1 << 30, SectorBytes: 512,
		Array: "raid1", Signature: &facts.Signature{Kind: "ext4", Usage: "filesystem"}})
}

// USB adds a USB controller in a group of its own, into which nothing is plugged that a
// driver of the host's has.
func (b *Builder) USB() facts.Address {
	at, group := facts.Address{Bus: 0xb0}, 50
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: at, Vendor: 0x1912, Device: 0x0014, Class: 0x0c0330, Driver: "xhci_hcd", Group: &group, NUMANode: -1,
		ResetMethods: []string{"bus"}, DeviceName: "Invented USB", Shows: []string{"usb"}})
	return at
}

// Network adds a network card whose interface has that name.
func (b *Builder) Network(name string) facts.Address {
	at := b.Ethernet()
	b.Function(at).Interfaces[0].Name = name
	return at
}

// StorageController and NetworkController state such controllers in a layout.
func StorageController(name string) spec.Controller { return byMake(name, maker, storage) }
func NetworkController(name string) spec.Controller { return byMake(name, maker, ethernet) }

func byMake(name string, vendor, device pci.ID) spec.Controller {
	return spec.Controller{Name: name, At: place(), Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()},
		PCI: &spec.PCIIdentity{Vendor: vendor, Device: device, At: place()}}
}
