package definition

import (
	"cmp"
	"strconv"
	"strings"

	"github.com/beevik/etree"
)

// freeTarget gives the first name for a disk of a bus that no disk has, in the
// series that guests call the disks of a bus by (libvirt domain format,
// <target dev>). On a bus of drives the name stands for an address as well,
// which nothing else of the guest may have.
func (e *edit) freeTarget(bus string) string {
	series := map[string]string{"virtio": "vd", "xen": "xvd", "ide": "hd", "fdc": "fd"}[bus]
	names, drives := e.takenTargets()
	for n := 0; ; n++ {
		name := cmp.Or(series, "sd") + letters(n)
		free := !names[name]
		for _, d := range drivesOf(bus, name) {
			free = free && !drives[d]
		}
		if free {
			return name
		}
	}
}

// drive is the place of a disk on its controllers. libvirt compares nothing
// else; the target is 0 but for some models, where it is no less taken.
type drive struct {
	bus                   string
	controller, bay, unit int
}

// takenTargets gives the names of all disks, and the places of all that have
// one: disks of every kind, and the host's SCSI devices.
func (e *edit) takenTargets() (names map[string]bool, drives map[drive]bool) {
	names, drives = map[string]bool{}, map[drive]bool{}
	for _, el := range devicesOf(e.guest) {
		target := child(el, "target")
		bus, name := attr(target, "bus"), attr(target, "dev")
		switch el.FullTag() {
		case "disk":
			names[name] = true
		case "hostdev":
			bus = attr(el, "type")
		default:
			continue
		}
		if address := child(el, "address"); attr(address, "type") == "drive" {
			drives[drive{bus, number(address, "controller"), number(address, "bus"), number(address, "unit")}] = true
			continue
		}
		for _, d := range drivesOf(bus, name) {
			drives[d] = true
		}
	}
	return names, drives
}

// number reads a part of an address, in any base; one that is missing is 0.
func number(e *etree.Element, key string) int {
	n, err := strconv.ParseUint(attr(e, key), 0, 31)
	if err != nil {
		return 0
	}
	return int(n)
}

// drivesOf gives the places for which a disk's name stands where it has no
// address; none on a bus without drives. libvirt's QEMU driver counts 15 disks
// on a SCSI controller and leaves unit 7 out, its other drivers count 7
// (libvirt 9.0 src/conf/domain_conf.c, virDomainDiskDefAssignAddress).
func drivesOf(bus, name string) []drive {
	n := targetNumber(name)
	if n < 0 {
		return nil
	}
	switch bus {
	case "scsi":
		unit := n % 15
		if unit >= 7 {
			unit++
		}
		return []drive{{bus, n / 15, 0, unit}, {bus, n / 7, 0, n % 7}}
	case "sata":
		return []drive{{bus, n / 6, 0, n % 6}}
	case "ide":
		return []drive{{bus, n / 4, n % 4 / 2, n % 2}}
	case "fdc":
		return []drive{{bus, n / 2, 0, n % 2}}
	}
	return nil
}

// letters counts a, b, ... z, aa, ab, ...
func letters(n int) string {
	text := ""
	for ; n >= 0; n = n/26 - 1 {
		text = string(rune('a'+n%26)) + text
	}
	return text
}

// targetNumber is the inverse of letters for a target name, -1 for any other.
func targetNumber(target string) int {
	at := strings.Index(target, "d")
	number := -1
	for _, letter := range target[at+1:] {
		if letter < 'a' || letter > 'z' || number > 1<<16 {
			return -1
		}
		number = (number+1)*26 + int(letter-'a')
	}
	return number
}

// diskController adds the controller that a SCSI disk of that name needs; left
// to itself libvirt chooses a model that current systems have no driver for.
func (e *edit) diskController(bus, name string) {
	if bus != "scsi" {
		return
	}
	index := drivesOf(bus, name)[0].controller
	for _, c := range children(e.devices(), "controller") {
		if attr(c, "type") == "scsi" && number(c, "index") == index {
			return
		}
	}
	add(e.devices(), element("controller", "type", "scsi", "index", strconv.Itoa(index), "model", "virtio-scsi"), deviceSequence)
	e.say("SCSI controller %d (virtio-scsi)", index)
}
