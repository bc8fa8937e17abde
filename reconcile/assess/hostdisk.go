// host-disk: a guest's disk is something that the host itself uses: a partition
// that it has mounted, a member of an array or volume group, swap, an image
// that a loop device has open.
//
// Two filesystem drivers on one device destroy what is on it, and neither
// libvirt nor QEMU looks whether the host has it mounted. Reading alone gives
// the guest something that changes under it.
//
// Severity: caution; stop where the guest would write it and the order would
// start the guest, or shut it down: undone, it would be started again.
//
// Remedy: end the host's use, or give the guest another disk.
package assess

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkHostDisks(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		d := c.willHave(g)
		switch {
		case c.shutsDown(g):
			d = inForce(c.Facts.Guest(g.Name))
		case g.Retired:
			continue
		}
		if d != nil {
			for _, p := range c.storage(d) {
				list = append(list, c.hostDisk(g, p)...)
			}
		}
	}
	return list
}

func (c *Case) hostDisk(g *spec.Guest, p facts.Piece) []Finding {
	var list []Finding
	for _, use := range c.Facts.HostUses(p.Named) {
		f := Finding{Severity: c.severityOf(g), At: g.At,
			Summary:  shorten("the host uses disk " + p.Target + " of guest " + g.Name),
			Detail:   "The guest and the host would both write " + p.Named + ", and destroy what is on it.",
			Causes:   []Cause{{p.Named, use.String()}},
			Remedies: append(c.freeingDisk(use), "give the guest another disk"),
		}
		if c.shutsDown(g) {
			f.Severity = Stop
			f.Detail += " The order would shut it down, and its undo could not start it again: the guard of starts refuses that."
		}
		if !p.Writes {
			if c.onlyReads(use) {
				continue
			}
			f.Severity, f.Detail = Caution, "The guest only reads "+p.Named+", but the host may change it meanwhile."
		}
		list = append(list, f)
	}
	return list
}

// onlyReads tells whether the host cannot write what it uses.
func (c *Case) onlyReads(use facts.Use) bool {
	if use.Mount != nil {
		return slices.Contains(use.Mount.Options, "ro") || slices.Contains(use.Mount.SuperOptions, "ro")
	}
	b := c.Facts.Block(use.User)
	return b != nil && b.ReadOnly
}

func (c *Case) freeingDisk(use facts.Use) []string {
	switch use.Kind {
	case facts.UseMount:
		return []string{"unmount " + use.User}
	case facts.UseSwap:
		return []string{"swapoff " + plain.Quoted(use.User)}
	case facts.UseHolder:
		return []string{c.takingApart(use)}
	default:
		return []string{"find out what uses it, and end that use"}
	}
}
