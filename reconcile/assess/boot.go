// boot: how a guest gets from its firmware to the system on the controller
// that it boots from, or why it does not.
//
// Firmware that holds an NVMe driver needs the first place in the boot order
// and nothing else. Firmware without one does not see the drive; a shim brings
// the driver: an option ROM of the controller, or a small boot disk. The parts
// of a shim are not signed, so Secure Boot must be off. A guest with BIOS runs
// neither, and starts only what its BIOS can.
//
// Where another device has a place in the boot order and a lent drive has none,
// OVMF deletes the drive's own boot entry for good (measured with Debian's OVMF
// 2022.11). Such guests are named, whether they are meant to start from the
// drive or not.
//
// Severity: note where it does; caution where that is not known or may fail; stop
// where it does not.
//
// Remedy: choose firmware that reads NVMe, or state a shim; `lendkeep shim
// inspect FILE` tells what an image holds. With a shim, switch Secure Boot off.
package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkBoot(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if start, ok := c.Start(g); ok {
			list = append(list, c.bootFinding(g, start))
			if start.Way == ByROM || start.Way == ByDisk {
				list = append(list, c.shimFindings(g, start)...)
			}
			continue
		}
		list = append(list, c.droppedEntries(g)...)
	}
	return list
}

// bootFinding tells the decision and what it rests on.
func (c *Case) bootFinding(g *spec.Guest, s Start) Finding {
	drive := g.Boots.Name
	f := Finding{At: g.Boots.At, Causes: []Cause{firmwareCause(s)}}
	switch s.Way {
	case Native:
		f.Severity = Note
		f.Summary = shorten("guest " + g.Name + " starts from " + drive + " by itself")
		f.Detail = "Its firmware holds an NVMe driver. The drive gets the first place in the boot order, and nothing else is needed."
		f.Remedies = []string{"leave the boot order as the order sets it"}
		if g.Shim != nil {
			f.Detail += " The shim " + g.Shim.Name + " is not used."
			f.Remedies = append(f.Remedies, "take the shim out of the layout")
		}
	case ByROM, ByDisk:
		f.Severity = Note
		f.Summary = shorten("guest " + g.Name + " starts from " + drive + " by a shim")
		f.Detail = "Its firmware holds no NVMe driver, so shim " + g.Shim.Name + " brings one."
		if s.Held != facts.Absent {
			f.Detail = "Whether its firmware holds an NVMe driver is not known (" + s.Why + "), so shim " + g.Shim.Name + " brings one; it does no harm where there is one."
		}
		f.Remedies = []string{"choose firmware that reads NVMe: firmware = ... in guest " + g.Name}
	case None:
		f.Severity = Stop
		f.Summary = shorten("firmware of guest " + g.Name + " cannot read NVMe")
		f.Detail = "It holds no NVMe driver: the guest would not see the drive that it is to start from."
		f.Remedies = c.remediesWithoutDriver(g)
	case Unsure:
		f.Severity = Caution
		f.Summary = shorten("guest " + g.Name + " may not start from " + drive)
		f.Detail = "Whether its firmware holds an NVMe driver is not known: " + s.Why + "."
		f.Remedies = c.remediesWithoutDriver(g)
		if s.Image != nil {
			f.Remedies = append([]string{"see what it holds: lendkeep shim inspect " + plain.Quoted(s.Image.Path)}, f.Remedies...)
		}
	case Legacy:
		f.Severity = Caution
		f.Summary = shorten("guest " + g.Name + " has BIOS, not UEFI")
		f.Detail = "A system that was installed for UEFI does not start with BIOS, and whether this BIOS reads NVMe drives is not known."
		f.Remedies = []string{`state firmware = "uefi" in guest ` + g.Name}
		if g.Shim != nil {
			f.Severity = Stop
			f.Detail += " A shim is made for UEFI alone."
		}
	}
	return f
}

func firmwareCause(s Start) Cause {
	switch {
	case s.Image != nil && s.Image.SHA256 != "":
		return Cause{s.Image.Path, "NVMe driver " + string(s.Image.NVMe) + ", sha256 " + s.Image.SHA256}
	case s.Image != nil:
		return Cause{s.Image.Path, s.Why}
	case s.Way == Legacy:
		return Cause{"definition of the guest", "<os> without UEFI firmware"}
	default:
		return Cause{"definition of the guest", s.Why}
	}
}

// remediesWithoutDriver names firmware of this host that would do, if any:
// such as starts without Secure Boot, which needs more of a definition.
func (c *Case) remediesWithoutDriver(g *spec.Guest) []string {
	list := []string{"state a shim that brings the driver: shim = shim.NAME in guest " + g.Name}
	for _, d := range c.Facts.Survey.Descriptors {
		image := c.Facts.Image(d.Image)
		if image != nil && image.NVMe == facts.Present && !slices.Contains(d.Features, "requires-smm") {
			return append([]string{fmt.Sprintf("choose firmware that reads NVMe: firmware = %q in guest %s", image.Path, g.Name)}, list...)
		}
	}
	return list
}

// shimFindings tells what keeps a shim from working.
func (c *Case) shimFindings(g *spec.Guest, s Start) []Finding {
	var list []Finding
	add := func(severity Severity, summary, detail string, cause Cause, remedies ...string) {
		list = append(list, Finding{Severity: severity, At: g.Shim.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{cause}, Remedies: remedies})
	}
	const unsigned = "The parts of a shim are not signed; firmware with Secure Boot on refuses them and starts nothing."
	off := "switch Secure Boot off in the firmware's own menus, or start from a variable store without keys"
	signing := c.Facts.SecureBoot(s.Boot)
	store := cmp.Or(signing.Store, "definition of guest "+g.Name)
	switch signing.On {
	case facts.Present:
		add(Stop, "guest "+g.Name+" has Secure Boot on and a shim", unsigned, Cause{store, "a platform key is enrolled"},
			off, "choose firmware that reads NVMe, which needs no shim")
	case facts.Unknown:
		add(Caution, "guest "+g.Name+" may have Secure Boot on", unsigned+" Whether it is on is not known: "+signing.Why+".", Cause{store, signing.Why}, off)
	}
	if rom := c.Change(g).ROM; rom != nil {
		if placed := c.Facts.ROM(rom.Path); placed != nil && (placed.ROM != rom.ROM || placed.Why != "") {
			add(Stop, "another file is where the ROM goes", "The option ROM of "+g.Boots.Name+" goes to a place of its own name, and what lies there is not it. lendkeep writes over no file.",
				Cause{rom.Path, cmp.Or(placed.Why, "an option ROM of another driver or controller")}, "look at it, then move it away")
		}
	}
	if shim := c.Change(g).Shim; shim != nil {
		if placed := c.Facts.Shim(shim.Path); placed != nil && (placed.Shim != shim.Shim || placed.Why != "") {
			add(Stop, "another file is where the shim disk goes", "The shim disk of "+g.Boots.Name+" goes to a place of its own name, and what lies there is not it. lendkeep writes over no file.",
				Cause{shim.Path, cmp.Or(placed.Why, "a shim disk of other parts, or for another partition")}, "look at it, then move it away")
		}
	}
	if why := c.shimPlace(); why != "" && s.Way == ByDisk {
		add(Caution, "the shim disk of "+g.Boots.Name+" has no place", "It must lie where libvirt may let QEMU's own user read it: every folder on the way must let anybody pass. AppArmor is libvirt's matter there.",
			Cause{facts.ShimFolder, why}, "make that folder, with mode 0711", "move what is mounted there elsewhere")
	}
	if gap := c.Facts.Survey.ROMGap; gap != "" && s.Way == ByROM {
		add(Caution, "the option ROM of "+g.Boots.Name+" has no place", "It must lie where QEMU's own user and AppArmor let QEMU read it.", Cause{facts.ROMFolder, gap}, "install QEMU's own files, which make that folder")
	}
	shim := c.Layout.Shim(g.Shim.Name)
	donor := c.Facts.Image(shim.Donor)
	inspect := "see what it holds: lendkeep shim inspect " + plain.Quoted(shim.Donor)
	switch {
	case donor == nil || donor.NVMe == facts.Unknown || shim.As == "disk" && donor.Shell == facts.Unknown:
		why := "the survey did not look at it; a check on the host itself does"
		if donor != nil {
			why = donor.Why
		}
		add(Caution, "what the donor of "+shim.Name+" holds is not known", "A shim is made of the donor's NVMe driver, and a disk of its UEFI Shell too.", Cause{shim.Donor, why}, inspect)
	case donor.NVMe == facts.Absent || shim.As == "disk" && donor.Shell == facts.Absent:
		add(Stop, "the donor of "+shim.Name+" lacks what is needed", "A shim is made of the donor's NVMe driver, and a disk of its UEFI Shell too.",
			Cause{donor.Path, fmt.Sprintf("NVMe driver %s, UEFI Shell %s", donor.NVMe, donor.Shell)}, inspect, "name another donor")
	}
	return list
}

// dosESP is the type of an EFI system partition in a table of the older kind
// (UEFI 2.10, 5.2.2, OSType).
const dosESP = "0xef"

// lacksESP tells whether every partition of a controller's drives was seen and
// none is an EFI system partition.
func (c *Case) lacksESP(found Found) bool {
	drives := c.Facts.Drives(found.Function.Address)
	if found.Where != facts.Home || len(drives) == 0 {
		return false
	}
	for _, drive := range drives {
		for _, part := range c.Facts.Partitions(drive.Name) {
			if part.Partition == nil || slices.Contains([]string{"", facts.TypeESP, dosESP}, part.Partition.Type) {
				return false
			}
		}
	}
	return true
}

// droppedEntries finds guests that are not stated to boot from what they
// borrow, and whose firmware will forget how to.
func (c *Case) droppedEntries(g *spec.Guest) []Finding {
	if len(g.Borrows) == 0 {
		return nil
	}
	d := c.becomes(g)
	if d == nil || d.Boot.Firmware != "uefi" {
		return nil
	}
	var list []Finding
	for _, ref := range g.Borrows {
		found := c.Found(ref.Name)
		at := found.Function.Address
		others := rankedOthers(d, at)
		if found.Function.Class>>16 != 0x01 || len(others) == 0 || c.lacksESP(found) {
			continue
		}
		list = append(list, Finding{Severity: Caution, At: ref.At,
			Summary:  shorten("guest " + g.Name + " will forget to boot from " + ref.Name),
			Detail:   fmt.Sprintf("Its boot order names %s and not %s. OVMF deletes the boot entry of a drive that is left out, for good, and the guest no longer starts from it by itself.", strings.Join(others, ", "), ref.Name),
			Causes:   []Cause{{"definition of guest " + g.Name, "boot order: " + strings.Join(others, ", ")}},
			Remedies: []string{"leave it, if the guest only keeps files on " + ref.Name, "state boots = controller." + ref.Name + " in guest " + g.Name},
		})
	}
	return list
}

// rankedOthers names what has a place in the boot order when the function at
// an address has none; nothing when it has one too. libvirt gives a place to
// the first device of each kind in <os><boot dev>, never to a lent function.
func rankedOthers(d *facts.Definition, at facts.Address) []string {
	var list []string
	for _, r := range d.Boot.Ranked {
		if r.Hostdev != nil && *r.Hostdev == at {
			return nil
		}
		list = append(list, r.Device)
	}
	for kind, device := range map[string]string{"hd": "disk", "cdrom": "cdrom", "fd": "floppy"} {
		first := slices.IndexFunc(d.Disks, func(disk facts.Disk) bool { return disk.Device == device })
		if slices.Contains(d.Boot.Kinds, kind) && first >= 0 {
			list = append(list, "disk "+d.Disks[first].Target)
		}
	}
	if slices.Contains(d.Boot.Kinds, "network") {
		list = append(list, "a network card")
	}
	slices.Sort(list)
	return list
}
