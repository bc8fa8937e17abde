// guest-disk: a disk that the layout or its definition gives a guest is not
// there, nor what it is based on, or nobody has looked. libvirt accepts the
// definition all the same and fails when the guest starts.
//
// Severity: caution; stop where the order would start the guest, or the image's
// format is disputed.
//
// Remedy: put the image there or mount what it lies on; compare a partition's id
// with what lsblk prints; check on the host itself where the survey did not look.
package assess

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkGuestDisks(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if g.Retired {
			continue
		}
		for _, d := range g.Disks {
			if f, bad := c.diskFinding(g, d); bad {
				list = append(list, f)
			}
			if f, bad := c.disputedFormat(g, d); bad {
				list = append(list, f)
			}
		}
		if d := c.willHave(g); d != nil {
			list = append(list, c.definedDisks(g, d)...)
		}
	}
	return list
}

// definedDisks finds what only the definition of a guest names, and images
// below others, once the guest is to be started; what is not known always.
func (c *Case) definedDisks(g *spec.Guest, d *facts.Definition) []Finding {
	var list []Finding
	for _, p := range c.storage(d) {
		if statesDisk(g, p.Named) || !slices.Contains([]string{"file", "block", "volume"}, p.Kind) {
			continue // libvirt makes a missing variable store, others a missing socket
		}
		switch {
		case c.missing(p.Named) && c.startedBy(g):
			list = append(list, Finding{Severity: c.absence(p.Named), At: g.At,
				Summary:  shorten("image of disk " + p.Target + " of guest " + g.Name + " is missing"),
				Detail:   "The definition names it, or an image that another is based on, and the guest cannot start without it.",
				Causes:   []Cause{{p.Named, "no such file"}},
				Remedies: []string{"put the image there", "mount what it lies on", "take the disk out of the definition: virsh edit " + plain.Quoted(g.Name)},
			})
		case c.missing(p.Named):
		default:
			if f, bad := c.unknownDisk(g, p.Target, p.Named, g.At); bad {
				list = append(list, f)
			}
		}
	}
	return list
}

func statesDisk(g *spec.Guest, named string) bool {
	return slices.ContainsFunc(g.Disks, func(s spec.Disk) bool {
		return s.Image == named || s.PartitionID != "" && partitionLink(s) == named
	})
}

// absence is the severity of a disk that a guest to be started lacks: a device
// may come with a controller that is not home.
func (c *Case) absence(named string) Severity {
	if !strings.HasPrefix(named, "/dev/") {
		return Stop
	}
	for i := range c.Layout.Controllers {
		if c.Found(c.Layout.Controllers[i].Name).Where != facts.Home {
			return Caution
		}
	}
	return Stop
}

// missing tells whether an image is not there. While its mount is not there it
// cannot be seen, which says nothing.
func (c *Case) missing(image string) bool {
	p := c.Facts.Path(image)
	return p != nil && p.Missing && !c.hidden(image) && c.Facts.Device(image) == nil
}

// hidden tells whether a file belongs on a return mount that is not there now.
func (c *Case) hidden(image string) bool {
	on, ok := c.returnMount(image)
	return ok && c.Facts.MountAt(on.Path) == nil
}

// unknownDisk tells of an image or device into which the survey did not look,
// or could not: what it is, and which others it is based on.
func (c *Case) unknownDisk(g *spec.Guest, disk, named string, at spec.Place) (Finding, bool) {
	p := c.Facts.Path(named)
	f := Finding{Severity: c.severityOf(g), At: at,
		Summary:  shorten("disk " + disk + " of guest " + g.Name + " is not known"),
		Detail:   "The survey did not look at " + named + ": whether it is there, where it leads and which images it is based on is not known, so neither is who else uses it.",
		Causes:   []Cause{{named, "(not in the survey)"}},
		Remedies: []string{"check on the host itself, without --survey", surveyLayout},
	}
	switch {
	case c.Facts.Device(named) != nil || c.hidden(named) || p != nil && p.Gap == "":
		return f, false
	case p != nil:
		f.Detail = "The survey could not read " + named + " whole, so which images it is based on and who else uses it is not known."
		f.Causes = []Cause{{named, p.Gap}}
		f.Remedies = []string{"run lendkeep as root", "see what the file is: qemu-img info " + plain.Quoted(named)}
		if p.Resolved != "" { // where it is is known
			f.Severity = Caution
		}
	}
	return f, true
}

func partitionLink(d spec.Disk) string { return "/dev/disk/by-partuuid/" + d.PartitionID }

func (c *Case) diskFinding(g *spec.Guest, d spec.Disk) (Finding, bool) {
	f := Finding{Severity: c.severityOf(g), At: d.At}
	if d.PartitionID != "" {
		return c.partitionFinding(g, d)
	}
	if c.makes(d.Image) {
		return f, false
	}
	if !c.missing(d.Image) {
		return c.unknownDisk(g, d.Name, d.Image, d.At)
	}
	f.Summary = shorten("image of disk " + d.Name + " of guest " + g.Name + " is missing")
	f.Detail = "The guest cannot start without it."
	f.Causes = []Cause{{d.Image, "no such file"}}
	f.Remedies = []string{"put the image there"}
	if d.SizeBytes > 0 {
		f.Remedies = slices.Insert(f.Remedies, 0, fmt.Sprintf("make an empty one: qemu-img create -f %s %s %d", cmp.Or(d.Format, "qcow2"), plain.Quoted(d.Image), d.SizeBytes))
	}
	return f, true
}

// disputedFormat tells of an image that is read in two ways.
func (c *Case) disputedFormat(g *spec.Guest, d spec.Disk) (Finding, bool) {
	_, err := c.Facts.FormatOf(d.Image, d.Format)
	var disputed facts.ErrFormat
	if d.Image == "" || !errors.As(err, &disputed) || len(disputed.Said) == 0 {
		return Finding{}, false
	}
	return Finding{Severity: Stop, At: d.At,
		Summary:  shorten("format of disk " + d.Name + " of guest " + g.Name + " is disputed"),
		Detail:   "Raw read as qcow2, or the reverse, destroys what is in it.",
		Causes:   []Cause{{d.Image, err.Error()}},
		Remedies: []string{"see how the image was made, and correct the layout: format = \"qcow2\", or \"raw\"", "correct the definition: virsh edit"},
	}, true
}

// partitionFinding tells of a partition that is not there, and that no order
// makes.
func (c *Case) partitionFinding(g *spec.Guest, d spec.Disk) (Finding, bool) {
	link := partitionLink(d)
	f := Finding{Severity: Caution, At: d.At,
		Summary:  shorten("disk " + d.Name + " of guest " + g.Name + " is not there"),
		Detail:   "No partition has that GPT id. It may be on a drive that is lent.",
		Causes:   []Cause{{link, "(absent)"}},
		Remedies: []string{"compare the id with what lsblk -o NAME,PARTUUID prints"},
	}
	if c.startedBy(g) {
		f.Severity = c.absence(link)
	}
	return f, c.Facts.Device(link) == nil && !c.made(d.PartitionID)
}

// made tells whether an order makes the partition of that GPT id.
func (c *Case) made(id string) bool {
	for i := range c.Layout.Controllers {
		t := c.Filling(c.Layout.Controllers[i].Name).After
		if t != nil && slices.ContainsFunc(t.Entries, func(e facts.Entry) bool { return e.ID == id }) {
			return true
		}
	}
	return false
}
