package definition

import (
	"fmt"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// ShimDisk is the small disk by which a guest starts.
type ShimDisk struct {
	Path string `json:"path"`
	Bus  string `json:"bus"` // "virtio", "sata"
}

// checkShims refuses a shim disk as a disk of the layout's own.
func (w Wanted) checkShims() error {
	for _, d := range w.Disks {
		if facts.IsShim(d.Source) {
			return fmt.Errorf("disk %s of guest %s is %s, a shim disk that orders make and remove", d.Name, w.Name, d.Source)
		}
	}
	return nil
}

// shims lists the guest's disks that are shim disks of lendkeep's.
func (e *edit) shims() []*etree.Element {
	var list []*etree.Element
	for _, el := range children(e.devices(), "disk") {
		if facts.IsShim(diskOf(el).Source) {
			list = append(list, el)
		}
	}
	return list
}

// shimDisk makes the guest have the shim disk that is wanted and no other of
// lendkeep's. It gives the disk, or nil where none is wanted.
func (e *edit) shimDisk() *etree.Element {
	var wanted *ShimDisk
	for _, b := range e.wanted.Borrows {
		if b.Boots {
			wanted = b.Shim
		}
	}
	var kept *etree.Element
	for _, el := range e.shims() {
		if kept == nil && wanted != nil && wanted.is(el) {
			kept = el
			continue
		}
		drop(el)
		e.say("without the shim disk %s; the file stays", diskOf(el).Source)
	}
	if kept != nil || wanted == nil {
		return kept
	}
	return e.newShim(*wanted)
}

// is tells whether a disk is this one in every respect that matters. On SATA
// QEMU has no read-only hard disks; anywhere else it is one.
func (s ShimDisk) is(el *etree.Element) bool {
	return diskOf(el).Source == s.Path && attr(child(el, "target"), "bus") == s.Bus &&
		attr(child(el, "driver"), "type") == "raw" && (child(el, "readonly") != nil) == s.readOnly()
}

func (s ShimDisk) readOnly() bool { return s.Bus != "sata" }

func (e *edit) newShim(s ShimDisk) *etree.Element {
	target := e.freeTarget(s.Bus)
	el := with(element("disk", "type", "file", "device", "disk"),
		element("driver", "name", "qemu", "type", "raw"),
		element("source", "file", s.Path),
		element("target", "dev", target, "bus", s.Bus))
	if s.readOnly() {
		el.AddChild(element("readonly"))
	}
	e.addDisk(el)
	e.say("shim disk %s as %s on %s", s.Path, target, s.Bus)
	return el
}
