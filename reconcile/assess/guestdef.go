// guest-definition: what libvirt has of a guest stands in the way: it is
// transient (it has no kept definition that could be changed), or it borrows
// functions that the layout does not know, which lendkeep leaves alone.
package assess

import (
	"fmt"
)

func checkDefinitions(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
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
			if c.meant[lent.Address] || recorded(known.Kept.Records, lent.Address) {
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
