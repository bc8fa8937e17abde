package definition

import (
	"fmt"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// anyBus lists what a disk may say on each bus that a layout can state, by
// place: an element of the disk, and @ before an attribute.
var anyBus = strings.Fields(`@type @device @snapshot @rawio @sgio source backingStore auth encryption iotune alias alias@name
	driver driver@name driver@type driver@cache driver@error_policy driver@rerror_policy driver@io driver@copy_on_read
	driver@discard driver@detect_zeroes driver@discard_no_unref driver/metadata_cache target target@dev
	target@bus target@tray boot boot@order serial shareable transient acpi geometry geometry@cyls geometry@heads
	geometry@secs blockio blockio@physical_block_size`)

// whole are elements that are known whole: all that stands in them is of the
// image, or goes with them.
var whole = strings.Fields("source backingStore auth encryption iotune address")

// ofBus gives the buses on which libvirt takes the rest; elsewhere it goes,
// since it speaks of the bus and not of the image. libvirt 9.0's QEMU driver
// has been asked for each on each bus (TestQEMUDriverAcceptsEveryChangeOfBus).
var ofBus = map[string][]string{
	"@model":               {"virtio"},
	"driver@iothread":      {"virtio"},
	"driver/iothreads":     {"virtio"},
	"driver@queues":        {"virtio"},
	"driver@queue_size":    {"virtio"},
	"driver@ioeventfd":     {"virtio"},
	"driver@event_idx":     {"virtio"},
	"driver@iommu":         {"virtio"},
	"driver@ats":           {"virtio"},
	"driver@packed":        {"virtio"},
	"driver@page_per_vq":   {"virtio"},
	"acpi@index":           {"virtio"},
	"wwn":                  {"scsi"},
	"vendor":               {"scsi"},
	"product":              {"scsi"},
	"target@rotation_rate": {"scsi", "sata"},
	"target@removable":     {}, // on USB alone
	"geometry@trans":       {}, // on IDE alone
	"address":              {}, // libvirt gives a new one
}

// needed are those that the image or its other users rely on: where the bus
// has no place for them, the disk stays where it is. QEMU has no read-only
// SATA disks and none of other blocks than 512 bytes (QEMU 7.2
// hw/ide/qdev.c, ide_dev_initfn).
var needed = map[string][]string{
	"readonly":                   {"virtio", "scsi"},
	"transient@shareBacking":     {"virtio", "scsi"},
	"blockio@logical_block_size": {"virtio", "scsi"},
}

// devicesOn gives the buses of each kind of disk, sourcesOn those of a source
// that works on some alone. A kind that is missing has none.
var (
	devicesOn = map[string][]string{
		"":      {"virtio", "scsi", "sata"},
		"disk":  {"virtio", "scsi", "sata"},
		"cdrom": {"scsi", "sata"},
		"lun":   {"virtio", "scsi"},
	}
	sourcesOn = []string{"", "file", "block", "volume", "network", "dir", "nvme"}
)

// maxSerial is how much of a serial number a guest sees, in bytes: virtio
// (Virtio 1.2, 5.2.6.1) and ATA have room for 20, QEMU's SCSI disks for 36
// (QEMU 7.2 hw/scsi/scsi-disk.c).
var maxSerial = map[string]int{"virtio": 20, "sata": 20, "scsi": 36}

// toBus moves a disk to another bus, and takes away what only the old one has.
func (e *edit) toBus(el *etree.Element, d Disk) error {
	target := child(el, "target")
	was := attr(target, "bus")
	if d.Bus == "" || target == nil || was == d.Bus {
		return nil
	}
	of := "disk " + d.Name
	if err := fitsBus(el, d.Bus); err != nil {
		return fmt.Errorf("%s cannot move from %s to %s: %w; change it by hand, or state bus %q", of, was, d.Bus, err, was)
	}
	name := e.freeTarget(d.Bus)
	e.say("%s: %s on %s instead of %s", of, name, d.Bus, was)
	e.withoutBus(of, el, d.Bus)
	target.CreateAttr("dev", name)
	target.CreateAttr("bus", d.Bus)
	if serial := text(child(el, "serial")); len(serial) > maxSerial[d.Bus] {
		e.say("%s: the guest sees %d characters of its serial number %s on %s", of, maxSerial[d.Bus], serial, d.Bus)
	}
	e.diskController(d.Bus, name)
	return nil
}

// fitsBus tells what keeps a disk from a bus: what has no place there and may
// not go, and what lendkeep does not know.
func fitsBus(el *etree.Element, bus string) error {
	if device := attr(el, "device"); !slices.Contains(devicesOn[device], bus) {
		return fmt.Errorf("%s has no %s", bus, device)
	}
	if kind := attr(el, "type"); !slices.Contains(sourcesOn, kind) {
		return fmt.Errorf("whether %s takes a disk of type %s is not known", bus, kind)
	}
	for _, p := range statedOf(el) {
		buses, must := needed[p.name]
		_, goes := ofBus[p.name]
		switch {
		case must && !slices.Contains(buses, bus) && p.value != "512":
			return fmt.Errorf("%s has no place for %s", bus, p)
		case !must && !goes && !slices.Contains(anyBus, p.name):
			return fmt.Errorf("whether %s has a place for %s is not known", bus, p)
		}
	}
	return nil
}

// withoutBus takes away what a disk says of another bus than this.
func (e *edit) withoutBus(of string, el *etree.Element, bus string) {
	for _, p := range statedOf(el) {
		buses, some := ofBus[p.name]
		switch {
		case !some || slices.Contains(buses, bus):
		case p.key == "":
			e.lose(of, p.element)
		default:
			e.loseAttr(of, p.element, p.key)
			if p.element != el {
				dropEmpty(p.element)
			}
		}
	}
}

// stated is something that a disk says.
type stated struct {
	name    string // "driver@cache", "driver/metadata_cache", "serial", "@model" of the disk itself
	element *etree.Element
	key     string // of the attribute; empty: it is the element
	value   string
}

func (p stated) String() string {
	if p.key == "" {
		return spelled(p.element)
	}
	return fmt.Sprintf("%s='%s' of <%s>", p.key, p.value, p.element.Tag)
}

// statedOf lists what a disk says: its elements, their attributes, and what
// stands in them, but for those that are of the image.
func statedOf(disk *etree.Element) []stated {
	list := attrPlaces("", disk)
	for _, el := range disk.ChildElements() {
		name := el.FullTag()
		list = append(list, stated{name: name, element: el})
		if slices.Contains(whole, name) {
			continue
		}
		list = append(list, attrPlaces(name, el)...)
		for _, below := range el.ChildElements() {
			list = append(list, stated{name: name + "/" + below.FullTag(), element: below})
		}
	}
	return list
}

func attrPlaces(name string, el *etree.Element) []stated {
	var list []stated
	for _, a := range el.Attr {
		list = append(list, stated{name: name + "@" + a.FullKey(), element: el, key: a.FullKey(), value: a.Value})
	}
	return list
}
