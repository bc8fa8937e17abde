// led-out: a link that lies on a return mount leads a file of a guest out of there.
// Whoever borrows the drive writes what lies on it, links too: QEMU would open any
// file of the host that such a link names, and libvirt would make it the guest's
// own (libvirt src/security/security_dac.c). The guard refuses the start.
//
// Severity: stop; caution for a guest that the layout does not state.
//
// Remedy: look at the link, and at what the guest with the drive has done; put
// the file itself in place of the link, or name the file where it lies (virsh
// edit).
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkLedOut(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		if g := &c.Layout.Guests[i]; !g.Retired {
			list = append(list, c.ledOut(g.Name, c.named(g), Stop, g.At)...)
		}
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if c.Stated(g.Name) == nil {
			list = append(list, c.ledOut(g.Name, namedBy(g), Caution, c.Layout.Host.At)...)
		}
	}
	return list
}

// named gives the paths that a guest's definitions name now or once the order has
// set them.
func (c *Case) named(g *spec.Guest) []string {
	var list []string
	for _, d := range g.Disks {
		list = append(list, d.Image)
	}
	if known := c.Facts.Guest(g.Name); known != nil {
		list = append(list, namedBy(known)...)
	}
	return list
}

func namedBy(g *facts.Guest) []string {
	var list []string
	for _, d := range g.Definitions() {
		list = append(list, d.Paths()...)
	}
	return list
}

func (c *Case) ledOut(guest string, named []string, severity Severity, at spec.Place) []Finding {
	var list []Finding
	told := map[string]bool{}
	for _, name := range named {
		if p := c.Facts.Path(name); p == nil || len(p.Via) == 0 || told[name] {
			continue
		}
		told[name] = true
		if place, to := c.leaves(name); to != "" {
			list = append(list, Finding{Severity: severity, At: at,
				Summary: shorten("a link leads a file of guest " + guest + " away"),
				Detail:  fmt.Sprintf("%s leads to %s by a link on %s, which guests with controller %s can write. The guard refuses to start it.", name, to, place, c.mounts[place].Name),
				Causes:  []Cause{{name, "leads to " + to}},
				Remedies: []string{"look at the link, and at what the guest with the drive has done", "put the file itself there in place of the link",
					"name the file where it lies: virsh edit " + plain.Quoted(guest)},
			})
		}
	}
	return list
}

// leaves gives the return mount that a link on it takes a name out of, and where
// that leads.
func (c *Case) leaves(name string) (place, to string) {
	for i := range c.Layout.Controllers {
		for _, m := range c.Layout.Controllers[i].Return.Mounts {
			if to, _ := c.Facts.LedOut(name, m.Path); to != "" {
				return m.Path, to
			}
		}
	}
	return "", ""
}
