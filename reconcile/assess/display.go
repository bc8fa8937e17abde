// only-display: every graphics function on which the host shows something would be
// lent; one that no driver has shows nothing, nor does one that only computes. Until one
// is back the host shows nothing on a monitor: not what its kernel says when
// something goes wrong, and not a login. A card that comes back may stay dark: not
// every driver shows a picture again once it has let its card go (common practice).
//
// Severity: caution.
//
// Remedy: have another way to the host before it is lent, ssh and a serial console,
// and try it. From there the card is brought back by the guest's shutdown, or by an
// order for a shift without it.
package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// classDisplay is the base class of display controllers (PCI Code and ID Assignment
// Specification, 03).
const classDisplay = 0x03

func checkDisplays(c *Case) []Finding {
	var lent []Found
	for _, found := range parts(c.taken()) {
		if found.Function.Class>>16 == classDisplay {
			lent = append(lent, found)
		}
	}
	stays := func(f facts.Function) bool {
		return shows(f) && !f.OnVFIO() && !slices.ContainsFunc(lent, func(found Found) bool { return found.Function.Address == f.Address })
	}
	if len(lent) == 0 || slices.ContainsFunc(c.Facts.Survey.Functions, stays) {
		return nil
	}
	var list []Finding
	for _, found := range lent {
		f := found.Function
		list = append(list, Finding{Severity: Caution, At: found.Controller.At,
			Summary: shorten(found.Controller.Name + " is the last display of the host"),
			Detail:  "While it is lent the host shows nothing on a monitor, and takes no login there. By another way it is brought back: shut its guest down, or carry out an order for a shift without it.",
			Causes:  []Cause{causeOf(f, "class", f.Title())},
			Remedies: []string{"try ssh to the host from another machine first, and note: virsh shutdown " + plain.Quoted(c.borrowerOf(found)),
				"let the kernel have a serial console: console=ttyS0 on its command line, where the board has such a port",
				"keep another graphics card for the host"},
		})
	}
	return list
}

// class3D is that of functions that compute pictures and show none (PCI Code and ID
// Assignment Specification, 0302: 3D controller).
const class3D = 0x0302

// shows tells whether the host can show something on a display function: a driver has
// it, or it is in the text mode of the machine's start.
func shows(f facts.Function) bool {
	return f.Class>>16 == classDisplay && f.Class>>8 != class3D && f.Parent == nil && (f.Driver != "" || f.BootVGA)
}

// borrowerOf names a guest that a controller is lent to; GUEST where it is put
// aside for another's sake.
func (c *Case) borrowerOf(found Found) string {
	if all := c.Borrowers(found.Controller.Name); len(all) > 0 {
		return all[0].Name
	}
	return "GUEST"
}
