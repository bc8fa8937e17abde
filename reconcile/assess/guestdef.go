// guest-definition: what the layout states of a guest cannot be written into
// its definition; or it is transient (it has no kept definition that could be
// changed).
//
// Severity: stop.
//
// Remedy: state what is missing; define a transient guest; or take it out of the
// layout and change its definition by hand (virsh edit).
package assess

import (
	"errors"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

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
				Remedies: []string{"define it: virsh dumpxml " + plain.Quoted(g.Name) + " > FILE, virsh define FILE"},
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
	var unknown definition.UnknownFormatError
	if errors.As(change.Err, &unknown) {
		return c.unsaidFormat(g, unknown)
	}
	return Finding{Severity: Stop, At: g.At,
		Summary:  shorten("guest " + g.Name + " cannot be defined"),
		Detail:   "What the layout states cannot be written into its definition: " + change.Err.Error() + ".",
		Causes:   []Cause{{"definition of guest " + g.Name, change.Err.Error()}},
		Remedies: []string{"state what is missing in the layout", "take it out of the layout and change the definition by hand: virsh edit " + plain.Quoted(g.Name)},
	}, true
}

// unsaidFormat asks for the format of an image that is new to a guest. Its
// header does not count: it may be a raw disk to which another guest wrote one.
func (c *Case) unsaidFormat(g *spec.Guest, unknown definition.UnknownFormatError) (Finding, bool) {
	for _, d := range g.Disks {
		if d.Name != unknown.Disk {
			continue
		}
		_, err := c.Facts.FormatOf(d.Image, d.Format)
		var known facts.ErrFormat
		if errors.As(err, &known) && len(known.Said) > 0 {
			break // guest-disk says so
		}
		return Finding{Severity: Stop, At: d.At,
			Summary:  shorten("format of disk " + d.Name + " of guest " + g.Name + " is not stated"),
			Detail:   "The image is new to the guest, and no other guest's definition says how it is read. A wrong one destroys it, and a raw image can be made to look like any other.",
			Causes:   []Cause{{d.Image, "format not stated"}},
			Remedies: []string{"state how it was made, or is to be made: format = \"qcow2\", or \"raw\""},
		}, true
	}
	return Finding{}, false
}
