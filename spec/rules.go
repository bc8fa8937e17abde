package spec

import (
	"fmt"

	"github.com/hashicorp/hcl/v2"
)

// rules judge the layout as a whole, once every block is read. They see what
// was right in a layout that may have mistakes elsewhere, so they take nothing
// that is missing for a mistake of its own. A new rule is a function and a line.
var rules = []func(*reader, *overview){
	sameDevice,
	driveOfSlot,
	virtualOfWhat,
	parentOfWhat,
	parentIsBorrowed,
	lentThoughNever,
	eraseAnotherDrive,
	restTwice,
	mountWithoutPartition,
	mountsInEachOther,
	alarmOnLoan,
	copyOfItself,
	copyFromOnOwnDrive,
	copyFromWhatIsBorrowed,
	copyBothWays,
	madeTwice,
	bootsWithoutBorrowing,
	shimWithoutBoot,
	entryWithoutBoot,
	retiredOnShift,
	sharedMAC,
	diskOnOwnLoan,
	borrowedTwiceInShift,
	diskOnLoanOfShift,
	diskSharedInShift,
	unusedShim,
}

// overview is a layout with what several rules look up in it.
type overview struct {
	*Layout
	guests map[string]*Guest
	mounts map[string]returnMount // by path
}

func (r *reader) judge(layout *Layout) {
	l := &overview{Layout: layout, guests: map[string]*Guest{}, mounts: mountTable(layout)}
	for i := range layout.Guests {
		l.guests[layout.Guests[i].Name] = &layout.Guests[i]
	}
	for _, rule := range rules {
		rule(r, l)
	}
}

// of gives the range of an attribute's value that the block at a place states.
func (r *reader) of(at Place, attribute string) hcl.Range { return r.stated[spot{at, attribute}] }

// isBroken tells whether an attribute is stated there, but wrongly.
func (r *reader) isBroken(at Place, attribute string) bool { return r.broken[spot{at, attribute}] }

// bootsWithoutBorrowing: a guest can only boot from a controller it has.
func bootsWithoutBorrowing(r *reader, l *overview) {
	for _, g := range l.Guests {
		if g.Boots == nil || r.isBroken(g.At, "borrows") || borrows(&g, g.Boots.Name) {
			continue
		}
		name := reference(kindController, g.Boots.Name)
		r.refuse(r.ranges[g.Boots.At], "guest boots from what it does not borrow",
			fmt.Sprintf("The guest %q boots from %s, but its borrows do not name it.", g.Name, name),
			fmt.Sprintf("add %s to borrows", name))
	}
}

func borrows(g *Guest, controller string) bool {
	for _, ref := range g.Borrows {
		if ref.Name == controller {
			return true
		}
	}
	return false
}

// shimWithoutBoot: a shim starts a system from a lent controller, so it needs
// to know which.
func shimWithoutBoot(r *reader, l *overview) {
	for _, g := range l.Guests {
		if g.Shim != nil && g.Boots == nil && !r.isBroken(g.At, "boots") {
			r.refuse(r.ranges[g.Shim.At], "guest has a shim but boots from no controller",
				fmt.Sprintf("A shim starts the system of the controller that boots names; the guest %q states none.", g.Name),
				"add boots = controller.NAME, or remove shim")
		}
	}
}

// entryWithoutBoot: a boot entry names a program on the drive that the guest
// boots from, and is a matter of UEFI alone.
func entryWithoutBoot(r *reader, l *overview) {
	for _, g := range l.Guests {
		switch {
		case g.Entry == nil:
		case g.Boots == nil && !r.isBroken(g.At, "boots"):
			r.refuse(r.of(g.At, "boot_entry"), "guest has a boot_entry but boots from no controller",
				fmt.Sprintf("It is a program on the drive that boots names; the guest %q states none.", g.Name),
				"add boots = controller.NAME, or remove boot_entry")
		case g.Firmware == "bios":
			r.refuse(r.of(g.At, "boot_entry"), "guest has a boot_entry and BIOS",
				fmt.Sprintf("Boot entries are UEFI's; the guest %q states firmware = \"bios\".", g.Name),
				"state firmware = \"uefi\", or remove boot_entry")
		}
	}
}

// unusedShim: nothing is wrong with it, but somebody may wait for its effect.
func unusedShim(r *reader, l *overview) {
	used := map[string]bool{}
	for _, g := range l.Guests {
		if r.isBroken(g.At, "shim") {
			return
		}
		if g.Shim != nil {
			used[g.Shim.Name] = true
		}
	}
	for _, s := range l.Shims {
		if !used[s.Name] {
			r.warn(r.ranges[s.At], "no guest uses this shim", "",
				fmt.Sprintf("add shim = %s to the guest that needs it", reference(kindShim, s.Name)))
		}
	}
}

// sharedMAC: two cards with one address on a network disturb each other, and
// libvirt refuses the second one only on the same guest.
func sharedMAC(r *reader, l *overview) {
	seen := map[string]Place{}
	for _, g := range l.Guests {
		for _, n := range g.Networks {
			if n.MAC == "" {
				continue
			}
			at := r.of(n.At, "mac")
			if first, taken := seen[n.MAC]; taken {
				r.refuse(at, "two network cards have one MAC address",
					fmt.Sprintf("%s is also stated at %s.", n.MAC, first), "change one, or leave it to libvirt")
				continue
			}
			seen[n.MAC] = placeOf(at)
		}
	}
}
