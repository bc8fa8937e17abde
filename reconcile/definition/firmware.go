package definition

import (
	"fmt"
	"path"

	"github.com/beevik/etree"
)

// firmware makes the guest start with the firmware stated. A definition can
// say UEFI in two ways, by <os firmware='efi'> and by the image's path; both
// count, and newer libvirt prints both.
func (e *edit) firmware() error {
	os := child(e.guest, "os")
	wanted := e.wanted.Firmware
	if wanted == "" {
		return nil
	}
	if os == nil {
		return fmt.Errorf("it has no <os>")
	}
	loader := child(os, "loader")
	uefi := attr(os, "firmware") == "efi" || attr(loader, "type") == "pflash"
	was := "BIOS"
	if uefi {
		was = "UEFI"
	}
	switch {
	case wanted == "uefi" && !uefi:
		e.noFirmware(os)
		os.CreateAttr("firmware", "efi")
		e.say("firmware UEFI instead of BIOS")
	case wanted == "bios" && uefi:
		e.noFirmware(os)
		e.say("firmware BIOS instead of UEFI")
	case path.IsAbs(wanted) && text(loader) != wanted:
		if text(loader) != "" {
			was = text(loader)
		}
		e.noFirmware(os)
		loader = element("loader", "readonly", "yes", "type", "pflash")
		loader.SetText(wanted)
		add(os, loader, osSequence)
		e.say("firmware %s instead of %s", wanted, was)
	case wanted != "uefi" && wanted != "bios" && !path.IsAbs(wanted):
		return fmt.Errorf("firmware %q is neither uefi, bios nor a path", wanted)
	}
	return nil
}

// noFirmware removes every statement of firmware. The variable store goes with
// it: it fits one image only, and libvirt makes a fitting one at the next
// start. The old store's file stays.
func (e *edit) noFirmware(os *etree.Element) {
	unset(os, "firmware")
	for _, name := range []string{"firmware", "loader", "nvram"} {
		if c := child(os, name); c != nil {
			if name == "nvram" && text(c) != "" {
				e.say("firmware variables %s no longer used; the file stays", text(c))
			}
			drop(c)
		}
	}
}
