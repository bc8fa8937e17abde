package definition

import "lendkeep/reconcile/facts"

// optionROM gives a lent device the option ROM that is wanted, and takes one of
// lendkeep's away that is not. A ROM of somebody else's stays where none is
// wanted.
func (e *edit) optionROM(d *device, b Borrowed) {
	rom := child(d.Element, "rom")
	was := attr(rom, "file")
	switch {
	case b.ROM == "" && facts.IsROM(was):
		unset(rom, "file")
		dropEmpty(rom)
		e.say("%s without the option ROM %s; the file stays", title(b.Identity), was)
	case b.ROM == "":
	case rom == nil:
		addEnd(d.Element, element("rom", "file", b.ROM))
		e.say("%s with the option ROM %s", title(b.Identity), b.ROM)
	default:
		// libvirt gives the guest no ROM with bar='off' or enabled='no'.
		hidden := attr(rom, "bar") == "off" || attr(rom, "enabled") == "no"
		if was == b.ROM && !hidden {
			return
		}
		if attr(rom, "bar") == "off" {
			unset(rom, "bar")
		}
		unset(rom, "enabled")
		rom.CreateAttr("file", b.ROM)
		if was == "" || was == b.ROM {
			was = "none"
		}
		e.say("%s with the option ROM %s instead of %s", title(b.Identity), b.ROM, was)
	}
}
