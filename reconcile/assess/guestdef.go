// guest-definition: what the layout states of a guest cannot be written into
// its definition; or it is transient (it has no kept definition that could be
// changed).
package assess

import "lendkeep/spec"

func checkDefinitions(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if f, bad := c.unwritable(g); bad {
			list = append(list, f)
		}
		if known := c.Facts.Guest(g.Name); known != nil && known.Kept == nil {
			list = append(list, Finding{Severity: Stop, At: g.At,
				Summary:  shorten("guest " + g.Name + " has no kept definition"),
				Detail:   "libvirt forgets it when it ends, so nothing can be changed for its next start.",
				Causes:   []Cause{{"libvirt", g.Name + " is transient"}},
				Remedies: []string{"define it: virsh dumpxml " + g.Name + " > FILE, virsh define FILE"},
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
