package definition

import (
	"cmp"

	"lendkeep/reconcile/facts"
)

// GivenDisk is a disk that QEMU makes for a guest, and how it is told to reach what
// is behind it. Empty: the definition leaves it to QEMU.
type GivenDisk struct {
	Target string // "vda"; what the guest calls it is the guest's matter
	Bus    string // "virtio", "scsi", ...
	Serial string // as the guest reads it
	Format string // of the image: "raw", "qcow2"
	Cache  string // "none", "writeback", ...
	IO     string // "native", "threads", "io_uring"
}

// GivenDisks lists the hard disks of a definition, in its sequence. What starts a
// guest and nothing else, a shim, is none of them.
func GivenDisks(xml string) ([]GivenDisk, error) {
	t, err := parse(xml)
	if err != nil {
		return nil, err
	}
	var list []GivenDisk
	for _, el := range children(child(t.guest, "devices"), "disk") {
		if cmp.Or(attr(el, "device"), "disk") != "disk" || facts.IsShim(diskOf(el).Source) {
			continue
		}
		target, driver := child(el, "target"), child(el, "driver")
		list = append(list, GivenDisk{attr(target, "dev"), attr(target, "bus"), text(child(el, "serial")), formatOf(el), attr(driver, "cache"), attr(driver, "io")})
	}
	return list, nil
}
