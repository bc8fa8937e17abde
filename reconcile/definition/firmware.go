package definition

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// firmware makes the guest start with the firmware stated. A definition can
// say UEFI in two ways, by <os firmware='efi'> and by the image's path; both
// count, and newer libvirt prints both.
func (e *edit) firmware() error {
	wanted := e.wanted.Firmware
	if wanted == "" {
		return nil
	}
	if wanted != "uefi" && wanted != "bios" && !path.IsAbs(wanted) {
		return fmt.Errorf("firmware %q is neither uefi, bios nor a path", wanted)
	}
	os := child(e.guest, "os")
	if os == nil {
		return fmt.Errorf("it has no <os>")
	}
	image := text(child(os, "loader"))
	uefi := attr(os, "firmware") == "efi" || attr(child(os, "loader"), "type") == "pflash"
	switch {
	case path.IsAbs(wanted) && wanted == image, wanted == "uefi" && uefi, wanted == "bios" && !uefi && image == "":
		return nil
	case !uefi && image != "" && !path.IsAbs(wanted):
		return fmt.Errorf("what its firmware %s is cannot be told; state that path, or remove its <loader> by hand", image)
	}
	if err := e.mayChangeFirmware(os); err != nil {
		return err
	}
	was := "BIOS"
	switch {
	case path.IsAbs(wanted) && image != "":
		was = image
	case uefi:
		was = "UEFI"
	}
	e.noFirmware(os)
	now := map[string]string{"uefi": "UEFI", "bios": "BIOS"}[wanted]
	switch wanted {
	case "uefi":
		os.CreateAttr("firmware", "efi")
	case "bios":
	default:
		now = wanted
		loader := element("loader", "readonly", "yes", "type", "pflash")
		loader.SetText(wanted)
		add(os, loader, osSequence)
	}
	e.say("firmware %s instead of %s", now, was)
	return nil
}

// ofFirmware are the parts of <os> that speak of the firmware and go with it;
// besideFirmware those that do not. libvirt's varstore came after 9.0.
var (
	ofFirmware     = strings.Fields("firmware loader nvram varstore")
	besideFirmware = strings.Fields("type kernel initrd cmdline shim dtb acpi boot bios bootmenu smbios")
)

// mayChangeFirmware refuses where another firmware cannot work, or where it is
// not known what would become of a part.
func (e *edit) mayChangeFirmware(os *etree.Element) error {
	for _, el := range os.ChildElements() {
		if name := el.FullTag(); !slices.Contains(ofFirmware, name) && !slices.Contains(besideFirmware, name) {
			return fmt.Errorf("whether another firmware can be had beside %s is not known; change it by hand", spelled(el))
		}
	}
	if guard := child(e.guest, "launchSecurity"); guard != nil {
		return fmt.Errorf("its memory is protected together with its firmware (%s); change both by hand", spelled(guard))
	}
	arch := attr(child(os, "type"), "arch")
	if e.wanted.Firmware == "bios" && arch != "" && arch != "x86_64" && arch != "i686" {
		return fmt.Errorf("a guest of architecture %s has no BIOS", arch)
	}
	return nil
}

// noFirmware removes every statement of firmware. The variable store goes with
// it: it fits one image only, and libvirt makes a fitting one at the next
// start. The old store stays where it is.
func (e *edit) noFirmware(os *etree.Element) {
	e.saySecureBoot(os)
	if kind := attr(os, "firmware"); kind != "" {
		unset(os, "firmware")
		e.say("libvirt no longer chooses firmware by <os firmware='%s'>", kind)
	}
	for _, el := range os.ChildElements() {
		switch name := el.FullTag(); {
		case !slices.Contains(ofFirmware, name):
		case name == "nvram" || name == "varstore":
			e.loseVariables(el)
		default:
			e.lose("firmware", el)
		}
	}
}

// saySecureBoot tells that Secure Boot ends, where the definition has asked for
// it.
func (e *edit) saySecureBoot(os *etree.Element) {
	asked := attr(child(os, "loader"), "secure") == "yes"
	for _, f := range children(child(os, "firmware"), "feature") {
		asked = asked || attr(f, "enabled") == "yes"
	}
	if asked {
		e.say("Secure Boot is no longer asked for")
	}
}

// loseVariables takes the variable store out: boot entries, and the keys of
// Secure Boot.
func (e *edit) loseVariables(el *etree.Element) {
	store := diskOf(el).Source
	if store == "" {
		store = text(el)
	}
	if store == "" {
		store = attr(el, "path")
	}
	if store != "" {
		e.say("firmware variables %s no longer used, nor the boot entries and keys in them; the store itself stays", store)
	}
	e.lose("firmware", el)
}
