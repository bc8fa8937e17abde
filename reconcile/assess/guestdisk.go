// guest-disk: a disk that the layout or its definition gives a guest is not
// there. libvirt accepts the definition all the same and fails when the guest
// starts.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/spec"
)

func checkGuestDisks(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		for _, d := range g.Disks {
			if g.Retired {
				continue
			}
			if f, bad := c.diskFinding(g, d); bad {
				list = append(list, f)
			}
		}
		if c.Runs(g) && !c.RunsNow(g.Name) {
			list = append(list, c.definedDisks(g)...)
		}
	}
	return list
}

// definedDisks finds images that only the definition of a guest names, when the
// guest is to be started.
func (c *Case) definedDisks(g *spec.Guest) []Finding {
	d := c.becomes(g)
	if d == nil {
		return nil
	}
	var list []Finding
	for _, disk := range d.Disks {
		stated := slices.ContainsFunc(g.Disks, func(s spec.Disk) bool { return s.Image == disk.Source })
		if disk.Kind != "file" || stated || !c.missing(disk.Source) {
			continue
		}
		list = append(list, Finding{Severity: Stop, At: g.At,
			Summary:  shorten("image of disk " + disk.Target + " of guest " + g.Name + " is missing"),
			Detail:   "The definition names it, and the guest cannot start without it.",
			Causes:   []Cause{{disk.Source, "no such file"}},
			Remedies: []string{"put the image there", "mount what it lies on", "take the disk out of the definition: virsh edit " + g.Name},
		})
	}
	return list
}

// missing tells whether an image is not there. While its mount is not there it
// cannot be seen, which says nothing.
func (c *Case) missing(image string) bool {
	p := c.Facts.Path(image)
	on, ok := c.returnMount(image)
	return p != nil && p.Missing && (!ok || c.Facts.MountAt(on.Path) != nil)
}

func (c *Case) diskFinding(g *spec.Guest, d spec.Disk) (Finding, bool) {
	f := Finding{Severity: Caution, At: d.At}
	if c.Runs(g) && !c.RunsNow(g.Name) {
		f.Severity = Stop
	}
	if d.PartitionID != "" {
		link := "/dev/disk/by-partuuid/" + d.PartitionID
		if c.Facts.Device(link) != nil {
			return f, false
		}
		f.Severity = Caution
		f.Summary = shorten("disk " + d.Name + " of guest " + g.Name + " is not there")
		f.Detail = "No partition has that GPT id. It may be on a drive that is lent."
		f.Causes = []Cause{{link, "(absent)"}}
		f.Remedies = []string{"compare the id with what lsblk -o NAME,PARTUUID prints"}
		return f, true
	}
	if !c.missing(d.Image) {
		return f, false
	}
	f.Summary = shorten("image of disk " + d.Name + " of guest " + g.Name + " is missing")
	f.Detail = "The guest cannot start without it. lendkeep makes no images."
	f.Causes = []Cause{{d.Image, "no such file"}}
	f.Remedies = []string{"put the image there"}
	if d.SizeBytes > 0 {
		f.Remedies = slices.Insert(f.Remedies, 0, fmt.Sprintf("make an empty one: qemu-img create -f qcow2 %s %d", d.Image, d.SizeBytes))
	}
	return f, true
}
