// return-mount: a mount that the return rule of a controller makes cannot be
// made: the partition is not there, or holds another filesystem, or something
// else is mounted at its place; or somebody uses the partition as it is, a guest as
// its disk, say: two that write one filesystem destroy it.
//
// Severity: caution; stop where the partition is a member of something (LVM,
// LUKS, RAID) or in use as it is, where a guest waits for the mount, or where
// something else is mounted there.
//
// Remedy: name the partition that holds the filesystem, state a format, unmount
// what is in the way, end the other use, or choose another place.
package assess

import (
	"cmp"
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
	filling := c.Filling(found.Controller.Name)
	made := filling.Makes(m.Partition) != nil
	switch {
	case made && there == nil:
		return f, false // the order makes it
	case part == nil && (Stops(filling.copying) || Stops(filling.laying)):
		return f, false // why it is not made has been said
	case part == nil && !made:
		f.Summary = shorten("partition " + m.Partition + " will hold no filesystem")
		f.Detail = "An order makes it, but the layout states no format for it, so nothing is mounted at " + m.Path + "."
		f.Causes = []Cause{{m.At.String(), "partition " + m.Partition}}
		f.Remedies = []string{"state a format in partition " + m.Partition, "make a filesystem on it by hand after the order"}
	case !made && c.part(part) != nil:
		s := c.part(part)
		f = memberFinding(m.Partition, m.At, s, Cause{"/dev/" + part.Name, "holds " + s.Kind}, "Nothing can be mounted from it at "+m.Path+".", "take the mount out of the layout")
	case !made && part.Signature == nil:
		f.Summary = shorten("partition " + m.Partition + " holds no filesystem")
		f.Detail = "Nothing can be mounted from it at " + m.Path + "."
		f.Causes = []Cause{{"/run/udev/data/b" + part.Devno.String(), "no filesystem signature"}}
		f.Remedies = []string{"look at what it holds: blkid -p, wipefs without options", "make a filesystem on it where nothing is needed", "take the mount out of the layout"}
	case there != nil && (made || !there.Of(part, m.Path)):
		f.Severity = Stop
		f.Summary = shorten("something else is mounted at " + m.Path)
		f.Detail = fmt.Sprintf("The layout wants partition %s of %s there.", m.Partition, found.Controller.Name)
		f.Causes = []Cause{{"/proc/self/mountinfo", there.Source + " at " + there.Path}}
		f.Remedies = []string{"unmount it", "choose another place in the layout"}
	case made || there != nil || !c.mountsNow(found):
		return f, false
	default:
		uses := c.Facts.RawUses(part)
		if len(uses) == 0 {
			return f, false
		}
		use := uses[0]
		f.Severity = Stop
		f.Summary = shorten("partition " + m.Partition + " is in use as it is")
		f.Detail = fmt.Sprintf("The order would mount it at %s. Two that write one filesystem destroy it, and neither the kernel nor QEMU keeps them apart.", m.Path)
		f.Causes = []Cause{{"/dev/" + part.Name, use.Told()}}
		f.Remedies = append(c.freeing(found, use), "take the mount out of the layout")
	}
	if name := c.waiting(m.Path); name != "" {
		f.Severity = Stop
		f.Detail += " Guest " + name + " is to be started and has its disks there."
	}
	return f, true
}

// mountsNow tells whether an order mounts what a controller returns with, which is at
// home already.
func (c *Case) mountsNow(found Found) bool {
	return found.Where == facts.Home && c.Borrower(found.Controller.Name) == nil && c.KeptAside(found) == ""
}

// part gives what makes a partition a part of something else, by udev or by the
// drive's own bytes; nil: nothing does.
func (c *Case) part(part *facts.Block) *facts.Signature {
	if s := part.Signature; s != nil && s.Usage != "filesystem" {
		return s
	}
	content := c.Facts.Content(part.Whole)
	if content == nil || part.Partition == nil {
		return nil
	}
	if s := content.Signature; s != nil && s.Usage != "filesystem" {
		return s // of the drive as a whole
	}
	if v := content.Volume(part.Partition.Number); v != nil && v.Signature != nil && v.Signature.Usage != "filesystem" {
		return v.Signature
	}
	return nil
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
	return cmp.Or(strings.Join(list, ", "), none)
}

// waiting names a guest that is to be started and whose disks are on a mount.
func (c *Case) waiting(path string) string {
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if !c.startedBy(g) {
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
