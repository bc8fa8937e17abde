package guard

import (
	"fmt"
	"slices"
	"strings"
)

// UdevRules writes the udev rules that keep the host from assembling what belongs
// to guests: on a drive that is lent, everything but the host's own partitions.
// Where the rules lend nothing it is empty.
//
// The two marks are those that the rules of the assembling programs heed:
// SYSTEMD_READY those of mdadm (64-md-raid-assembly.rules) and of btrfs
// (64-btrfs.rules), and it keeps systemd from making a unit of the device
// (systemd.device(5)); DM_UDEV_DISABLE_OTHER_RULES_FLAG, which libdevmapper.h
// describes, those of LVM (69-lvm.rules). What blkid found out stays, so that
// nobody takes the device for blank. But a guest writes labels and ids as it likes,
// those of the host's own filesystems too: its links below /dev/disk give way to any
// other device's (udev(7), link_priority; as 13-dm-disk.rules has it for snapshots).
func UdevRules(r Rules) string {
	var lines strings.Builder
	borrowed := r.borrowers()
	for i := range r.Controllers {
		if c := &r.Controllers[i]; len(borrowed[c.Identity.Controller]) > 0 {
			c.udevRules(&lines)
		}
	}
	if lines.Len() == 0 {
		return ""
	}
	return staticHead + lines.String() + staticTail
}

// The names of udev's variables that begin with a dot are kept in no database
// (udev(7)).
const (
	staticHead = `# lendkeep: keeps the host from assembling what belongs to guests.
# Written and removed by orders of lendkeep. It comes after the rules that find
# out what is on a device (60) and before those that assemble it (63 and later).
SUBSYSTEM!="block", GOTO="lendkeep_end"
ACTION=="remove", GOTO="lendkeep_end"
`
	staticTail = `ENV{.LENDKEEP}=="guest", ENV{SYSTEMD_READY}="0", ENV{DM_UDEV_DISABLE_OTHER_RULES_FLAG}="1", OPTIONS+="link_priority=-100"
LABEL="lendkeep_end"
`
)

func (c *Controller) udevRules(lines *strings.Builder) {
	r := c.Identity
	fmt.Fprintf(lines, "# %s\n", literal(r.Controller))
	if r.Serial != "" {
		fmt.Fprintf(lines, "ATTRS{serial}==\"%s\", ENV{.LENDKEEP}=\"guest\"\n", literal(r.Serial))
	} else { // all of one line must be true of the same device above
		for _, at := range r.Addresses() {
			vendor, device := r.Vendor, r.Device
			if r.Whole() {
				vendor, device = r.Functions[at.Function].Vendor, r.Functions[at.Function].Device
			}
			fmt.Fprintf(lines, "SUBSYSTEMS==\"pci\", KERNELS==\"%s\", ATTRS{vendor}==\"0x%s\", ATTRS{device}==\"0x%s\", %sENV{.LENDKEEP}=\"guest\"\n", at, vendor, device, c.maker())
		}
	}
	for _, p := range c.Keeps {
		switch {
		case p.ID != "":
			fmt.Fprintf(lines, "ENV{.LENDKEEP}==\"guest\", ENV{ID_PART_ENTRY_UUID}==\"%s\", ENV{.LENDKEEP}=\"host\"\n", literal(p.ID))
		default:
			fmt.Fprintf(lines, "ENV{.LENDKEEP}==\"guest\", ENV{ID_PART_ENTRY_NAME}==\"%s\", ENV{.LENDKEEP}=\"host\"\n", encoded(p.Name))
		}
	}
	lines.WriteString("ENV{.LENDKEEP}==\"host\", GOTO=\"lendkeep_end\"\n")
}

// maker holds the subsystem of a card that is known by its kind, as far as it was seen:
// another maker's card of the same chip at its address is the host's.
func (c *Controller) maker() string {
	vendor, device, seen := strings.Cut(c.Subsystem, ":")
	if !seen {
		return ""
	}
	return fmt.Sprintf("ATTRS{subsystem_vendor}==\"0x%s\", ATTRS{subsystem_device}==\"0x%s\", ", literal(vendor), literal(device))
}

// literal writes a text as udev matches it: what has a meaning in a pattern or
// in a rule stands for any one character.
func literal(text string) string {
	var made strings.Builder
	for i := range len(text) {
		if unescaped(text[i]) {
			made.WriteByte(text[i])
		} else {
			made.WriteByte('?')
		}
	}
	return made.String()
}

// encoded is literal of a text as blkid gives it to udev: other bytes as \xHH,
// UTF-8 as it is (libblkid, blkid_encode_string).
func encoded(text string) string {
	var made strings.Builder
	for i := range len(text) {
		switch b := text[i]; {
		case b >= 0x80:
			made.WriteByte('?')
		case unescaped(b) && b != ' ' && b != '/' && b != ',':
			made.WriteByte(b)
		default:
			fmt.Fprintf(&made, "?x%02x", b)
		}
	}
	return made.String()
}

func unescaped(b byte) bool {
	return 'a' <= b && b <= 'z' || 'A' <= b && b <= 'Z' || '0' <= b && b <= '9' || slices.Contains([]byte(" ._:+@,=/#-"), b)
}
