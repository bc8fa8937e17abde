// guest-definition: what the layout states of a guest cannot be written into
// its definition; or it is transient (it has no kept definition that could be
// changed); or it borrows functions that the layout does not know, which
// lendkeep leaves alone.
package assess

import (
	"fmt"

	"lendkeep/spec"
)

func checkDefinitions(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if f, bad := c.unwritable(g); bad {
			list = append(list, f)
		}
		known := c.Facts.Guest(g.Name)
		if known == nil {
			continue
		}
		if known.Kept == nil {
			list = append(list, Finding{Severity: Stop, At: g.At,
				Summary:  shorten("guest " + g.Name + " has no kept definition"),
				Detail:   "libvirt forgets it when it ends, so nothing can be changed for its next start.",
				Causes:   []Cause{{"libvirt", g.Name + " is transient"}},
				Remedies: []string{"define it: virsh dumpxml " + g.Name + " > FILE, virsh define FILE"},
			})
			continue
		}
		for _, lent := range known.Kept.Lent {
			if c.meant[lent.Address] != "" || recorded(known.Kept.Records, lent.Address) {
				continue
			}
			title := "nothing"
			if f := c.Facts.Function(lent.Address); f != nil {
				title = f.Title()
			}
			list = append(list, Finding{Severity: Note, At: g.At,
				Summary:  shorten(fmt.Sprintf("guest %s also has %s", g.Name, lent.Address)),
				Detail:   "The layout does not know this device, so it stays in the definition as it is. At that address is " + title + ".",
				Causes:   []Cause{{"definition of guest " + g.Name, "<hostdev> at " + lent.Address.String()}},
				Remedies: []string{"state it as a controller in the layout"},
			})
		}
	}
	return list
}

// unwritable tells whether the guest's definition cannot be brought in line.
func (c *Case) unwritable(g *spec.Guest) (Finding, bool) {
	if g.Retired {
		return Finding{}, false
	}
	for _, ref := range g.Borrows {
		if c.Found(ref.Name).Function == nil {
			return Finding{}, false // controller-identity says so
		}
	}
	change := c.Change(g)
	if change.Err == nil {
		return Finding{}, false
	}
	return Finding{Severity: Stop, At: g.At,
		Summary:  shorten("guest " + g.Name + " cannot be defined"),
		Detail:   "What the layout states cannot be written into its definition: " + change.Err.Error() + ".",
		Causes:   []Cause{{"definition of guest " + g.Name, change.Err.Error()}},
		Remedies: []string{"state what is missing in the layout", "take it out of the layout and change the definition by hand: virsh edit " + g.Name},
	}, true
}
