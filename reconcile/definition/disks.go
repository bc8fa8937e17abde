package definition

import (
	"cmp"
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Marks of lendkeep's own in <alias>, by which a disk or card is known again
// when what it leads to has changed. libvirt keeps names that start with "ua-"
// and have no other characters than letters, digits, - and _ (libvirt domain
// format, "alias").
const (
	diskMark    = "ua-"
	networkMark = "ua-net-"
)

// mark gives the alias of a name. Two names never get the same: characters
// that libvirt does not take are written as _ and their hexadecimal number.
func mark(prefix, name string) string {
	alias := prefix
	for _, b := range []byte(name) {
		switch {
		case b == '_':
			alias += "__"
		case b == '-' || b >= '0' && b <= '9' || b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z':
			alias += string(rune(b))
		default:
			alias += fmt.Sprintf("_%02x", b)
		}
	}
	return alias
}

// disks makes the guest have every disk that is stated. A disk is known by its
// mark, else by its source, else by the name of its target; what else the guest
// has stays.
func (e *edit) disks() error {
	had := slices.DeleteFunc(children(e.devices(), "disk"), func(el *etree.Element) bool { return facts.IsShim(diskOf(el).Source) })
	found := make([]*etree.Element, len(e.wanted.Disks))
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool { return aliasOf(el) == mark(diskMark, d.Name) })
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool { return d.isSourceOf(el) })
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool {
		return !marked(el) && cmp.Or(attr(el, "device"), "disk") == "disk" && attr(child(el, "target"), "dev") == d.Name
	})
	for i, d := range e.wanted.Disks {
		if found[i] == nil {
			if err := e.newDisk(d); err != nil {
				return err
			}
			continue
		}
		if err := e.oldDisk(found[i], d); err != nil {
			return err
		}
	}
	return nil
}

// leaves takes disks out whose system is on a drive now: a guest that saw both
// would find every partition twice, with one identity.
func (e *edit) leaves() error {
	for _, el := range children(e.devices(), "disk") {
		for _, d := range e.wanted.Leaves {
			if d.isSourceOf(el) {
				e.say("disk %s: %s leaves, its system is on the drive; the image stays", attr(child(el, "target"), "dev"), d.Source)
				drop(el)
				break
			}
		}
	}
	return nil
}

// claim finds, for each wanted thing that has none yet, the first element that
// fits it and that no other has.
func claim[W any](found, had []*etree.Element, wanted []W, fits func(W, *etree.Element) bool) {
	for i, w := range wanted {
		if found[i] != nil {
			continue
		}
		at := slices.IndexFunc(had, func(el *etree.Element) bool { return !slices.Contains(found, el) && fits(w, el) })
		if at >= 0 {
			found[i] = had[at]
		}
	}
}

func aliasOf(el *etree.Element) string { return attr(child(el, "alias"), "name") }

func marked(el *etree.Element) bool { return strings.HasPrefix(aliasOf(el), diskMark) }

// isSourceOf tells whether a disk of the guest leads to what is wanted.
func (d Disk) isSourceOf(el *etree.Element) bool {
	now := diskOf(el)
	return now.Source == d.Source || (d.Pool != "" && now.Pool == d.Pool && now.Volume == d.Volume)
}

func (e *edit) newDisk(d Disk) error {
	for _, el := range children(e.devices(), "disk") {
		// The same image twice in one guest would be written by two at once.
		if v := diskOf(el); v.Volume != "" && v.Volume == path.Base(d.Source) {
			return fmt.Errorf("disk %s: %s may be volume %s of pool %s, which the guest has already", d.Name, d.Source, v.Volume, v.Pool)
		}
	}
	format, err := d.format()
	if err != nil {
		return err
	}
	bus := cmp.Or(d.Bus, "virtio")
	target := e.freeTarget(bus)
	el := with(element("disk", "type", d.Kind, "device", "disk"),
		element("driver", "name", "qemu", "type", format),
		element("source", sourceAttr(d.Kind), d.Source),
		element("target", "dev", target, "bus", bus),
		element("alias", "name", mark(diskMark, d.Name)))
	e.addDisk(el)
	e.say("disk %s: %s as %s on %s", d.Name, d.Source, target, bus)
	e.diskBus(bus)
	return nil
}

// format gives how a disk that is new to the guest is read. A block device
// holds no image format.
func (d Disk) format() (string, error) {
	if d.Format == "" && d.Kind == "file" {
		return "", fmt.Errorf("disk %s: the format of %s is not known", d.Name, d.Source)
	}
	return cmp.Or(d.Format, "raw"), nil
}

// addDisk puts a disk where libvirt would: by target among those of its bus,
// else last (libvirt 9.0 src/conf/domain_conf.c, virDomainDiskInsert).
func (e *edit) addDisk(el *etree.Element) {
	target := child(el, "target")
	var before *etree.Element
	for _, other := range children(e.devices(), "disk") {
		t := child(other, "target")
		if attr(t, "bus") == attr(target, "bus") && targetNumber(attr(t, "dev")) < targetNumber(attr(target, "dev")) {
			before = other
		}
	}
	if before == nil {
		add(e.devices(), el, deviceSequence)
		return
	}
	addAfter(e.devices(), before, el)
}

func sourceAttr(kind string) string {
	if kind == "block" {
		return "dev"
	}
	return "file"
}

// oldDisk corrects a disk. Its image format is believed as long as its source
// stays: raw read as qcow2, or the reverse, destroys it.
func (e *edit) oldDisk(el *etree.Element, d Disk) error {
	if now := diskOf(el); !d.isSourceOf(el) {
		driver := child(el, "driver")
		if driver == nil {
			driver = element("driver", "name", "qemu")
			addAfter(el, nil, driver)
		}
		format, err := d.format()
		if err != nil {
			return err
		}
		driver.CreateAttr("type", format)
		e.newSource(el, d)
		e.say("disk %s: %s instead of %s", d.Name, d.Source, cmp.Or(now.Source, now.Volume, "nothing"))
	}
	target := child(el, "target")
	if was := attr(target, "bus"); target != nil && d.Bus != "" && was != d.Bus {
		name := e.freeTarget(d.Bus)
		target.CreateAttr("dev", name)
		target.CreateAttr("bus", d.Bus)
		if address := child(el, "address"); address != nil {
			drop(address) // of the old bus; libvirt gives a new one
		}
		e.say("disk %s: %s on %s instead of %s", d.Name, name, d.Bus, was)
		e.diskBus(d.Bus)
	}
	return nil
}

// newSource replaces what a disk leads to; a chain that was spelled out
// belongs to the old image.
func (e *edit) newSource(el *etree.Element, d Disk) {
	el.CreateAttr("type", d.Kind)
	source := element("source", sourceAttr(d.Kind), d.Source)
	old := child(el, "source")
	if old == nil {
		addAfter(el, child(el, "driver"), source)
	} else {
		addAfter(el, old, source)
		drop(old)
	}
	if chain := child(el, "backingStore"); chain != nil {
		drop(chain)
	}
}

// freeTarget gives the first name that no disk has, in the series that guests
// call the disks of a bus by (libvirt domain format, <target dev>).
func (e *edit) freeTarget(bus string) string {
	series := map[string]string{"virtio": "vd", "xen": "xvd", "ide": "hd", "fdc": "fd"}[bus]
	taken := map[string]bool{}
	for _, el := range children(e.devices(), "disk") {
		taken[attr(child(el, "target"), "dev")] = true
	}
	for n := 0; ; n++ {
		if name := cmp.Or(series, "sd") + letters(n); !taken[name] {
			return name
		}
	}
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
		if letter < 'a' || letter > 'z' {
			return -1
		}
		number = (number+1)*26 + int(letter-'a')
	}
	return number
}

// diskBus adds the controller that a SCSI disk needs; left to itself libvirt
// chooses a model that current systems have no driver for.
func (e *edit) diskBus(bus string) {
	if bus != "scsi" {
		return
	}
	for _, c := range children(e.devices(), "controller") {
		if attr(c, "type") == "scsi" {
			return
		}
	}
	add(e.devices(), element("controller", "type", "scsi", "index", "0", "model", "virtio-scsi"), deviceSequence)
	e.say("SCSI controller (virtio-scsi)")
}
