// return-mount: a mount that the return rule of a controller makes cannot be
// made: the partition is not there, or holds another filesystem, or something
// else is mounted at its place.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkReturnMounts(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		if found.Function == nil || found.Function.NVMe == nil {
			continue
		}
		for _, m := range found.Controller.Return.Mounts {
			if f, bad := c.returnFinding(found, m); bad {
				list = append(list, f)
			}
		}
	}
	return list
}

func (c *Case) returnFinding(found Found, m spec.Mount) (Finding, bool) {
	f := Finding{Severity: Caution, At: m.At}
	part := c.Facts.PartitionNamed(found.Function.Address, m.Partition)
	there := c.Facts.MountAt(m.Path)
	made := c.Filling(found.Controller.Name).Makes(m.Partition) != nil
	switch {
	case made && there == nil:
		return f, false // the order makes it
	case part == nil && !made:
		f.Summary = shorten("partition " + m.Partition + " is not on " + found.Controller.Name)
		f.Detail = "No partition of its drives, or more than one, has that GPT name, so nothing is mounted at " + m.Path + " when the controller is home."
		f.Causes = []Cause{causeOf(found.Function, "", "partitions: "+c.partitionNames(found.Function.Address))}
		f.Remedies = []string{"name the partition: sgdisk -c NUMBER:" + m.Partition + " on its drive", "make it"}
	case !made && (part.Signature == nil || part.Signature.Usage != "filesystem"):
		f.Summary = shorten("partition " + m.Partition + " holds no filesystem")
		f.Detail = "Nothing can be mounted from it at " + m.Path + "."
		f.Causes = []Cause{{"/run/udev/data/b" + part.Devno.String(), "no filesystem signature"}}
		f.Remedies = []string{"make a filesystem on it"}
	case there != nil && (made || there.Devno != part.Devno):
		f.Severity = Stop
		f.Summary = shorten("something else is mounted at " + m.Path)
		f.Detail = fmt.Sprintf("The layout wants partition %s of %s there.", m.Partition, found.Controller.Name)
		f.Causes = []Cause{{"/proc/self/mountinfo", there.Source + " at " + there.Path}}
		f.Remedies = []string{"unmount it", "choose another place in the layout"}
	default:
		return f, false
	}
	if name := c.waiting(m.Path); name != "" {
		f.Severity = Stop
		f.Detail += " Guest " + name + " is to be started and has its disks there."
	}
	return f, true
}

func (c *Case) partitionNames(at facts.Address) string {
	var list []string
	for _, drive := range c.Facts.Drives(at) {
		for _, part := range c.Facts.Partitions(drive.Name) {
			if part.Partition != nil {
				list = append(list, part.Name+" "+part.Partition.Name)
			}
		}
	}
	return orNone(strings.Join(list, ", "))
}

// waiting names a guest that is to be started and whose disks are on a mount.
func (c *Case) waiting(path string) string {
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if !c.Runs(g) || c.RunsNow(g.Name) {
			continue
		}
		for _, on := range c.LivesOn(g) {
			if on.Path == path {
				return g.Name
			}
		}
	}
	return ""
}
