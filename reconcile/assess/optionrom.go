// option-rom: a graphics card that is to be lent has no option ROM that a guest
// could start it with, or one that the host has used already.
//
// A guest's firmware shows its first picture by the card's option ROM. The card that
// the host's firmware started with is shown as it is then: what the kernel gives as
// its ROM is the copy in memory that the firmware ran and changed (Linux
// arch/x86/pci/fixup.c, pci_fixup_video), which often does not run a second time.
// One without a ROM shows nothing until the guest's own driver has it. lendkeep does
// not read ROMs, since that switches their decoding on; whether one works in a guest
// only a trial shows.
//
// Severity: caution for the card that the host started with; note for one without a
// ROM.
//
// Remedy: have the host's firmware start with another card, or give the guest a ROM
// file: `<rom file='...'/>` in its `<hostdev>`, below /usr/share/qemu, where AppArmor
// lets QEMU read it.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkOptionROMs(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		d := c.willHave(g)
		if g.Retired || d == nil {
			continue
		}
		for _, l := range d.Hostdevs {
			f := c.Facts.Function(l.Address)
			if f == nil || f.Class>>16 != classDisplay || l.ROM != "" || f.Gap("option_rom") != nil {
				continue
			}
			if finding, bad := optionROM(g, f); bad {
				list = append(list, finding)
			}
		}
	}
	return list
}

func optionROM(g *spec.Guest, f *facts.Function) (Finding, bool) {
	file := "give it a ROM file, from the card's maker or read while another card was the first: <rom file='/usr/share/qemu/NAME.rom'/> in its <hostdev> (virsh edit " + plain.Quoted(g.Name) + ")"
	switch {
	case f.BootVGA || f.OptionROM != nil && f.OptionROM.Shadow:
		return Finding{Severity: Caution, At: g.At,
			Summary:  shorten(fmt.Sprintf("the host has used the ROM of %s", f.Address)),
			Detail:   "The host's firmware started with " + f.Title() + ", and its ROM can only be had as it was left then. Guest " + g.Name + " may show nothing.",
			Causes:   []Cause{causeOf(f, "boot_vga", map[bool]string{true: "1", false: "0"}[f.BootVGA]), causeOf(f, "resource", "option ROM "+romSize(f))},
			Remedies: []string{"set another card as the first one in the host's firmware setup, by the board's manual", file}}, true
	case f.OptionROM == nil:
		return Finding{Severity: Note, At: g.At,
			Summary:  shorten(fmt.Sprintf("%s has no ROM to start a picture", f.Address)),
			Detail:   "Guest " + g.Name + " shows nothing on " + f.Title() + " until its own driver has it.",
			Causes:   []Cause{causeOf(f, "resource", "option ROM "+none)},
			Remedies: []string{"keep the guest's virtual display for the time until then", file}}, true
	}
	return Finding{}, false
}

func romSize(f *facts.Function) string {
	switch {
	case f.OptionROM == nil:
		return none
	case f.OptionROM.Shadow:
		return facts.Size(f.OptionROM.SizeBytes) + ", a copy in memory"
	default:
		return facts.Size(f.OptionROM.SizeBytes)
	}
}
