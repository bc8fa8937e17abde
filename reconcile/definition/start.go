package definition

import (
	"cmp"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// readBoot reads how the guest starts: with which firmware, from which devices
// (libvirt domain format, "BIOS bootloader" and "Device address").
func readBoot(guest *etree.Element, d *facts.Definition) error {
	os := child(guest, "os")
	loader, nvram, kind := child(os, "loader"), child(os, "nvram"), child(os, "type")
	d.Boot = facts.Boot{
		Automatic:    attr(os, "firmware") == "efi",
		Loader:       text(loader),
		NVRAM:        cmp.Or(attr(child(nvram, "source"), "file"), text(nvram)),
		Template:     attr(nvram, "template"),
		Secure:       attr(loader, "secure") == "yes",
		Architecture: attr(kind, "arch"),
		Machine:      attr(kind, "machine"),
	}
	switch {
	case d.Boot.Automatic || attr(loader, "type") == "pflash":
		d.Boot.Firmware = "uefi"
	case d.Boot.Loader == "":
		d.Boot.Firmware = "bios"
	}
	for _, f := range children(at(os, "firmware"), "feature") {
		d.Boot.Asked = append(d.Boot.Asked, facts.Feature{Name: attr(f, "name"), Enabled: attr(f, "enabled") == "yes"})
	}
	for _, boot := range children(os, "boot") {
		d.Boot.Kinds = append(d.Boot.Kinds, attr(boot, "dev"))
	}
	for _, e := range devicesOf(guest) {
		if order, err := orderOf(e); err == nil && order > 0 {
			d.Boot.Ranked = append(d.Boot.Ranked, facts.Ranked{Device: nameOf(e), Order: order, Hostdev: functionIn(e)})
		}
	}
	return nil
}

// functionIn gives the PCI function that a device lends, or nil.
func functionIn(device *etree.Element) *facts.Address {
	if !holdsPCI(device) {
		return nil
	}
	address, err := addressOf(at(device, "source", "address"))
	if err != nil {
		return nil
	}
	return &address
}
