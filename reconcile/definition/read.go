package definition

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Read reads what lendkeep needs to know of a guest's definition. What lends a
// PCI function but cannot be understood is an error: an overlooked function
// would look free.
func Read(xml string) (facts.Definition, error) {
	t, err := parse(xml)
	if err != nil {
		return facts.Definition{}, err
	}
	return t.read(xml)
}

// read is Read of a tree whose text is already known.
func (t *tree) read(xml string) (facts.Definition, error) {
	d := facts.Definition{
		XML:       xml,
		Disks:     disksOf(t.guest),
		CPUs:      1, // libvirt's default
		HugePages: at(t.guest, "memoryBacking", "hugepages") != nil,
		Locked:    at(t.guest, "memoryBacking", "locked") != nil,
	}
	taken, err := readLent(t.guest, &d)
	if err != nil {
		return facts.Definition{}, fmt.Errorf("read definition: %w", err)
	}
	readReaches(t.guest, &d, taken)
	readNear(t.guest, &d)
	for _, part := range []func(*etree.Element, *facts.Definition) error{readRecords, readMemory, readCPUs, readBoot, readAddressing} {
		if err := part(t.guest, &d); err != nil {
			return facts.Definition{}, fmt.Errorf("read definition: %w", err)
		}
	}
	readPortions(t.guest, &d)
	return d, nil
}

// Names gives the name and UUID in a definition; the UUID is empty where
// libvirt has not yet given one.
func Names(xml string) (name, uuid string, err error) {
	t, err := parse(xml)
	if err != nil {
		return "", "", err
	}
	if name = text(child(t.guest, "name")); name == "" {
		return "", "", fmt.Errorf("read definition: it names no guest")
	}
	return name, text(child(t.guest, "uuid")), nil
}

func readMemory(guest *etree.Element, d *facts.Definition) (err error) {
	if memory := child(guest, "memory"); memory != nil {
		d.MemoryBytes, err = bytesOf(memory)
	}
	return err
}

// readNear reads where on the host a guest runs and its memory is. What it says in
// a way that is not understood says nothing: a guest like that is pinned nowhere.
func readNear(guest *etree.Element, d *facts.Definition) {
	pinned := facts.CPUs{}
	for _, pin := range children(child(guest, "cputune"), "vcpupin") {
		if set, err := facts.ParseCPUs(attr(pin, "cpuset")); err == nil {
			maps.Copy(pinned, set)
		}
	}
	d.Pinned = pinned.String()
	if memory := at(guest, "numatune", "memory"); attr(memory, "mode") == "strict" && attr(memory, "placement") != "auto" {
		if nodes, err := facts.ParseCPUs(attr(memory, "nodeset")); err == nil {
			d.MemoryNodes = nodes.String()
		}
	}
	if pages := children(at(guest, "memoryBacking", "hugepages"), "page"); len(pages) == 1 {
		d.PageBytes, _ = pageBytes(pages[0])
	}
}

func readCPUs(guest *etree.Element, d *facts.Definition) (err error) {
	if vcpu := child(guest, "vcpu"); vcpu != nil {
		d.CPUs, err = cpuCount(vcpu)
	}
	return err
}

// cpuCount gives the number of processors that a guest starts with, which may
// be less than it can be given while it runs.
func cpuCount(vcpu *etree.Element) (int, error) {
	number := attr(vcpu, "current")
	if number == "" {
		number = text(vcpu)
	}
	count, err := strconv.ParseUint(number, 10, 16)
	if err != nil {
		return 0, fmt.Errorf("<vcpu> %q is not a number of processors", number)
	}
	return int(count), nil
}

// readLent reads every way in which a definition can hold a PCI function: as a
// device, as a network card, and as a drive that QEMU drives by itself, also
// where that is below another image. It gives the address elements it has read.
func readLent(guest *etree.Element, d *facts.Definition) (map[*etree.Element]bool, error) {
	taken := map[*etree.Element]bool{}
	for _, device := range devicesOf(guest) {
		for _, e := range append([]*etree.Element{device}, imagesBelow(device)...) {
			if !holdsPCI(e) {
				continue
			}
			source := child(e, "source")
			at := child(source, "address")
			address, err := addressOf(at)
			if err != nil {
				return nil, fmt.Errorf("<%s>: %w", e.Tag, err)
			}
			taken[at] = true
			managed := attr(e, "managed") == "yes" || attr(source, "managed") == "yes"
			lent := facts.Hostdev{Address: address, Managed: managed, ROM: attr(child(e, "rom"), "file")}
			if lent.BootOrder, err = orderOf(e); err != nil {
				return nil, err
			}
			d.Hostdevs = append(d.Hostdevs, lent)
		}
	}
	return taken, nil
}

// imagesBelow lists the images that a disk is made of or copied to, at any
// depth: <backingStore>, <mirror> and <dataStore>, the last in its <source>.
func imagesBelow(disk *etree.Element) []*etree.Element {
	if disk.FullTag() != "disk" && !isImageBelow(disk) {
		return nil
	}
	var list []*etree.Element
	for _, e := range append(disk.ChildElements(), childrenOf(child(disk, "source"))...) {
		if isImageBelow(e) {
			list = append(append(list, e), imagesBelow(e)...)
		}
	}
	return list
}

func isImageBelow(e *etree.Element) bool {
	return slices.Contains([]string{"backingStore", "mirror", "dataStore"}, e.FullTag())
}

func childrenOf(e *etree.Element) []*etree.Element {
	if e == nil {
		return nil
	}
	return e.ChildElements()
}

// devicesOf lists a guest's devices of every kind.
func devicesOf(guest *etree.Element) []*etree.Element {
	if devices := child(guest, "devices"); devices != nil {
		return devices.ChildElements()
	}
	return nil
}

func holdsPCI(e *etree.Element) bool {
	switch e.FullTag() {
	case "hostdev":
		return attr(e, "type") == "pci"
	case "interface":
		kind := attr(at(e, "source", "address"), "type")
		return attr(e, "type") == "hostdev" && (kind == "pci" || kind == "")
	case "disk", "backingStore", "mirror", "dataStore":
		return attr(e, "type") == "nvme"
	default:
		return false
	}
}

// addressOf reads the address of a PCI function.
func addressOf(e *etree.Element) (facts.Address, error) {
	if e == nil {
		return facts.Address{}, fmt.Errorf("the PCI address is missing")
	}
	return AddressOf(attr(e, "domain"), attr(e, "bus"), attr(e, "slot"), attr(e, "function"))
}

// AddressOf reads the parts of the address of a PCI function, which libvirt
// takes in any base and prints in hexadecimal. The domain may be left out.
func AddressOf(domain, bus, slot, function string) (facts.Address, error) {
	var parts [4]uint64
	for i, value := range []string{domain, bus, slot, function} {
		if value == "" && i == 0 {
			continue
		}
		number, err := strconv.ParseUint(value, 0, 64)
		if limit := []uint64{0xffff, 0xff, 31, 7}[i]; err != nil || number > limit {
			return facts.Address{}, fmt.Errorf("PCI address: %s %q is not a number up to %#x", []string{"domain", "bus", "slot", "function"}[i], value, limit)
		}
		parts[i] = number
	}
	return facts.Address{Segment: uint16(parts[0]), Bus: uint8(parts[1]), Slot: uint8(parts[2]), Function: uint8(parts[3])}, nil
}

// orderOf gives a device's place in the boot order; 0 is none.
func orderOf(device *etree.Element) (int, error) {
	boot := child(device, "boot")
	if boot == nil {
		return 0, nil
	}
	order, err := strconv.ParseUint(attr(boot, "order"), 10, 16)
	if err != nil || order == 0 {
		return 0, fmt.Errorf("<%s>: boot order %q is not a number from 1", device.Tag, attr(boot, "order"))
	}
	return int(order), nil
}

// disksOf lists everything of the host's storage that a guest reads or writes:
// its disks with the images below them, as far as the definition names these,
// the target of a running copy, shared directories, and its firmware variables.
func disksOf(guest *etree.Element) []facts.Disk {
	var list []facts.Disk
	devices := child(guest, "devices")
	for _, e := range children(devices, "disk") {
		d := diskOf(e)
		d.Target = attr(child(e, "target"), "dev")
		d.Device = cmp.Or(attr(e, "device"), "disk")
		// A medium in a CD drive is never written (libvirt src/conf/domain_conf.c).
		d.ReadOnly = child(e, "readonly") != nil || d.Device == "cdrom"
		d.Shareable = child(e, "shareable") != nil
		if facts.IsShim(d.Source) {
			d.Kind = facts.KindShim // it is no file of the guest's
		}
		list = append(list, d)
		for _, below := range imagesBelow(e) {
			if image := also(d, below); image.Kind == "nvme" || image.Source != "" || image.Volume != "" {
				list = append(list, image)
			}
		}
	}
	for _, e := range children(devices, "filesystem") {
		d := diskOf(e)
		if attr(e, "type") == "" { // libvirt's default is mount
			d.Kind, d.Source = "dir", attr(child(e, "source"), "dir")
		}
		d.Target, d.Device = attr(child(e, "target"), "dir"), "filesystem"
		d.ReadOnly = child(e, "readonly") != nil
		list = append(list, d)
	}
	if nvram := at(guest, "os", "nvram"); nvram != nil {
		d := diskOf(nvram)
		d.Source = cmp.Or(d.Source, text(nvram))
		// No "file": libvirt makes it when it is missing.
		d.Target, d.Kind, d.Device = "nvram", "nvram", "nvram"
		list = append(list, d)
	}
	return list
}

// also gives an image that belongs to a disk, with its part in it as the device.
// Images below the uppermost are only read, and what they keep elsewhere.
func also(disk facts.Disk, e *etree.Element) facts.Disk {
	d := diskOf(e)
	d.Target, d.Device = disk.Target, "backing"
	for above := e; above.Tag != "disk"; above = above.Parent() {
		d.ReadOnly = d.ReadOnly || above.Tag == "backingStore"
	}
	if e.Tag == "mirror" {
		d.Device = "mirror"
		d.Source = cmp.Or(d.Source, attr(e, "file")) // as libvirt before 1.2.4 says it
	}
	return d
}

// formatOf gives how an image is read: of a disk its driver says so, of an image
// below another (imagesBelow) its format.
func formatOf(e *etree.Element) string {
	if e.FullTag() == "disk" {
		return attr(child(e, "driver"), "type")
	}
	if isImageBelow(e) {
		return attr(child(e, "format"), "type")
	}
	return ""
}

// diskOf reads kind and source of anything with a libvirt storage source.
func diskOf(e *etree.Element) facts.Disk {
	d := facts.Disk{Kind: cmp.Or(attr(e, "type"), "file"), Format: formatOf(e)}
	source := child(e, "source")
	switch d.Kind {
	case "block", "vhostvdpa":
		d.Source = attr(source, "dev")
	case "mount", "bind", "dir":
		d.Kind, d.Source = "dir", attr(source, "dir")
	case "volume":
		d.Pool, d.Volume = attr(source, "pool"), attr(source, "volume")
	case "network":
		if source != nil {
			d.Source = strings.TrimSuffix(attr(source, "protocol")+":"+attr(source, "name"), ":")
		}
	case "nvme":
		// No path: the host has no device for it. What it holds is among the Hostdevs.
	case "vhostuser":
		d.Source = attr(source, "path")
	default:
		d.Source = attr(source, "file")
	}
	return d
}
