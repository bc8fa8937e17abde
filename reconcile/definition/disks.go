package definition

import (
	"cmp"
	"fmt"
	"path"
	"slices"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// disks makes the guest have every disk that is stated. A disk is known by its
// mark, else by its source, else by the name of its target; what else the guest
// has stays.
func (e *edit) disks() error {
	had := slices.DeleteFunc(children(e.devices(), "disk"), func(el *etree.Element) bool { return facts.IsShim(diskOf(el).Source) })
	found := make([]*etree.Element, len(e.wanted.Disks))
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool { return aliasOf(el) == mark(diskMark, d.Name) })
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool { return d.isSourceOf(el) })
	claim(found, had, e.wanted.Disks, func(d Disk, el *etree.Element) bool {
		return !marked(el) && !e.anothers(el, d) && cmp.Or(attr(el, "device"), "disk") == "disk" && attr(child(el, "target"), "dev") == d.Name
	})
	for i, d := range e.wanted.Disks {
		if found[i] != nil {
			if err := e.oldDisk(found[i], d); err != nil {
				return err
			}
			continue
		}
		if err := doubted("disk "+d.Name, had, found, mark(oldDiskMark, d.Name), mark(diskMark, d.Name)); err != nil {
			return err
		}
		if err := e.newDisk(d); err != nil {
			return err
		}
	}
	return nil
}

// anothers tells whether a disk bears the old mark of another one that is stated.
func (e *edit) anothers(el *etree.Element, d Disk) bool {
	return slices.ContainsFunc(e.wanted.Disks, func(other Disk) bool {
		return other.Name != d.Name && aliasOf(el) == mark(oldDiskMark, other.Name)
	})
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
	e.say("disk %s: %s (%s) as %s on %s", d.Name, d.Source, format, target, bus)
	e.diskController(bus, target)
	return nil
}

// UnknownFormatError is of an image that is new to a guest and of which nobody
// says the format.
type UnknownFormatError struct {
	Disk  string // its name in the layout
	Image string
}

func (e UnknownFormatError) Error() string {
	return fmt.Sprintf("disk %s: the format of %s is not known", e.Disk, e.Image)
}

// format gives how a disk that is new to the guest is read. A block device
// holds no image format.
func (d Disk) format() (string, error) {
	if d.Format == "" && d.Kind == "file" {
		return "", UnknownFormatError{d.Name, d.Source}
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
	if !d.isSourceOf(el) {
		if err := e.newSource(el, d); err != nil {
			return err
		}
	}
	return e.toBus(el, d)
}

// replaceable are the kinds of source in whose place an image can be put. The
// others are more than an image: a drive that QEMU drives by itself, a program
// that serves the disk.
var replaceable = []string{"", "file", "block", "volume", "network", "dir"}

// newSource replaces what a disk leads to. What was said of the old image goes
// with it: a chain that was spelled out, keys, parts, labels.
func (e *edit) newSource(el *etree.Element, d Disk) error {
	of := "disk " + d.Name
	if kind := attr(el, "type"); !slices.Contains(replaceable, kind) || attr(el, "device") == "lun" || child(el, "mirror") != nil {
		return fmt.Errorf("%s: the guest has another kind of disk in its place, which %s cannot simply replace; change it by hand: %s", of, d.Source, spelled(el))
	}
	format, err := d.format()
	if err != nil {
		return err
	}
	now := diskOf(el)
	e.say("%s: %s instead of %s", of, d.Source, cmp.Or(now.Source, now.Volume, "nothing"))
	e.setFormat(of, el, format)
	el.CreateAttr("type", d.Kind)
	source := element("source", sourceAttr(d.Kind), d.Source)
	old := child(el, "source")
	addAfter(el, cmp.Or(old, child(el, "driver")), source)
	if old != nil && (!bare(old) || len(old.Attr) > 1) {
		e.lose(of, old)
	} else if old != nil {
		drop(old)
	}
	for _, name := range []string{"backingStore", "auth", "encryption"} {
		if said := child(el, name); said != nil {
			e.lose(of, said)
		}
	}
	return nil
}

// setFormat says how a disk's new image is read.
func (e *edit) setFormat(of string, el *etree.Element, format string) {
	driver := child(el, "driver")
	if driver == nil {
		driver = element("driver", "name", "qemu")
		addAfter(el, nil, driver)
	}
	if was := attr(driver, "type"); was != format && was != "" {
		e.say("%s: read as %s instead of %s", of, format, was)
	}
	driver.CreateAttr("type", format)
	if format == "qcow2" {
		return
	}
	if cache := child(driver, "metadata_cache"); cache != nil {
		e.lose(of, cache)
	}
	if attr(driver, "discard_no_unref") != "" {
		e.loseAttr(of, driver, "discard_no_unref")
	}
}
