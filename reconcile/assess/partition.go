// partition: a partition or filesystem that the layout states for the drive of
// a controller cannot be made: the drive is unknown, in use or full, its table
// is damaged or no GPT, something else is on the partition, it is too small for its
// format, a guest or pool names it already. Nothing that is there already is ever
// changed or moved.
//
// Severity: stop where the order would write, and for a member of an array, a
// volume group or the like; else caution.
//
// Remedy: free what is in the way after saving what is on it, or state what is
// there.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkPartitions(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Controllers {
		list = append(list, c.Filling(c.Layout.Controllers[i].Name).laying...)
	}
	return list
}

// unmade gives the stated partitions that are not on the drives of a controller
// which is home.
func (c *Case) unmade(found Found) []spec.Partition {
	var list []spec.Partition
	for _, part := range found.Controller.Drive.Partitions {
		if c.Facts.PartitionNamed(found.Function.Address, part.Name) == nil {
			list = append(list, part)
		}
	}
	return list
}

// lay plans table and filesystems on what the drive holds, or will hold after
// the copy.
func (f *filler) lay() {
	f.Before = f.Content.Table
	if f.Copy != nil {
		f.Before = f.Image.Table // with its backup where the image ended
	} else if f.Content.Signature != nil && f.Content.Table != nil || f.Before == nil && !f.Content.Blank {
		if f.drive.CopyOf != "" {
			f.marked()
			return
		}
		if !f.erasing() {
			return
		}
		f.Before = nil
	}
	missing := f.missing()
	if f.Before != nil && f.Before.Kind != "gpt" {
		if len(missing) > 0 {
			f.stop("drive of "+f.name()+" has no GPT", "Partitions are added to a GPT alone.", Cause{"/dev/" + f.Content.Of, "holds " + f.Content.Describe()}, "convert the system to GPT first (sgdisk -g; in Windows mbr2gpt)", "take the partitions out of the layout")
		}
		return
	}
	if f.alike(missing) {
		return
	}
	if f.table(missing) {
		f.filesystems(missing)
	}
}

// marked stops what would be written to a drive that holds the system already,
// and is marked as something else as a whole: that is not erased for it.
func (f *filler) marked() {
	f.stop("drive of "+f.name()+" is more than its system", "Beside the table it is marked as a whole, as an array or a filesystem does it. What is written there may ruin what keeps that mark.",
		Cause{"/dev/" + f.Content.Of, "holds " + f.Content.Describe()}, "see what keeps the mark, and whether it is still used: wipefs lists it", "take the partitions out of the layout")
}

// erasing plans to clear a drive that holds something, but no table to keep.
func (f *filler) erasing() bool {
	holds := Cause{"/dev/" + f.Content.Of, "holds " + f.Content.Describe()}
	if f.drive.Erase == "" {
		f.stop("drive of "+f.name()+" is not blank", "Partitions would be written over what is on it.", holds,
			"look at what it holds, and save what is needed", "then state in its drive block: erase = \""+f.Drive.Serial+"\"")
		return false
	}
	f.Clear = true
	f.laying = append(f.laying, Finding{Severity: Caution, At: f.drive.At, Summary: shorten("drive of " + f.name() + " is erased"),
		Detail: "The layout allows it by the drive's serial " + f.Drive.Serial + ", which is asked for again before the order is carried out.", Causes: []Cause{holds},
		Remedies: []string{"save what is needed from it first", "take erase out of the layout"}})
	return true
}

func (f *filler) missing() []spec.Partition {
	var list []spec.Partition
	for _, p := range f.drive.Partitions {
		if f.Before == nil || !slices.ContainsFunc(f.Before.Entries, func(e facts.Entry) bool { return e.Name == p.Name }) {
			list = append(list, p)
		}
	}
	return list
}

// alike asks about a partition that would be made beside one that the layout
// does not state and that is called almost the same: likely that is the one
// meant, and what is wanted of it would go to an empty partition.
func (f *filler) alike(missing []spec.Partition) bool {
	if f.Before == nil {
		return false
	}
	asked := false
	for _, e := range f.Before.Entries {
		if slices.ContainsFunc(f.drive.Partitions, func(p spec.Partition) bool { return p.Name == e.Name }) {
			continue
		}
		for _, p := range missing {
			if near(p.Name, e.Name) && !series(p.Name, e.Name) {
				asked = true
				f.stop("did you mean partition "+e.Name+", not "+p.Name+"?", "The drive has no partition "+p.Name+", but one that is called almost the same.",
					Cause{fmt.Sprintf("partition %d of /dev/%s", e.Number, f.Content.Of), e.Name}, "state the one that is there: partition \""+e.Name+"\"", "state both where a new one is wanted as well")
			}
		}
	}
	return asked
}

// table plans the table that is written. It tells whether it can be.
func (f *filler) table(missing []spec.Partition) bool {
	first, last := usable(f.Drive)
	after := facts.Table{Kind: "gpt", FirstUsable: first, Entries: []facts.Entry{}, ID: idOf("drive", f.Drive.Serial, fmt.Sprint(f.Drive.Namespace))}
	if f.Before != nil {
		if f.Before.Primary != facts.Sound || f.Before.Backup != facts.Sound || f.Before.Stale {
			f.stop("partition table of "+f.name()+" is damaged", "One of its two copies cannot be relied on, so which partitions there are is not certain.",
				Cause{"/dev/" + f.Content.Of, fmt.Sprintf("primary %s, backup %s", f.Before.Primary, f.Before.Backup)}, "see what is wrong: sgdisk -v, and repair it before anything else")
			return false
		}
		after = *f.Before
	}
	after.LastUsable, after.BackupAt = last, f.Drive.SizeBytes/f.Drive.SectorBytes-1
	after.Primary, after.Backup = facts.Sound, facts.Sound
	moved := f.Before != nil && f.Before.BackupAt != after.BackupAt
	if len(missing) == 0 && !(moved && f.drive.CopyOf != "") {
		return true
	}
	with, err := added(after, missing, f.Drive)
	if err != nil {
		f.stop("no room on the drive of "+f.name(), "The layout states more than fits: "+err.Error()+".", Cause{"/dev/" + f.Content.Of, facts.Size(f.Drive.SizeBytes)}, "state smaller sizes", "choose a larger drive")
		return false
	}
	f.After = &with
	return true
}

// filesystems plans those that are missing, on new partitions and on old ones
// that hold nothing.
func (f *filler) filesystems(added []spec.Partition) {
	t := f.Before
	if f.After != nil {
		t = f.After
	}
	for _, p := range f.drive.Partitions {
		if p.Format == "" || t == nil {
			continue
		}
		e := t.Entry(p.Name)
		if e == nil {
			f.stop("more than one partition is called "+p.Name, "Which of them is meant would be a guess.", Cause{"/dev/" + f.Content.Of, "holds " + f.Content.Describe()}, "rename one: sgdisk -c NUMBER:NAME")
			continue
		}
		added := slices.ContainsFunc(added, func(a spec.Partition) bool { return a.Name == p.Name })
		// In the free space of a table that stays, nothing is erased unasked.
		made := Formatting{On: *e, At: p.At, Over: f.drive.Erase != "" && (f.Clear || !added), Added: added,
			Made: facts.NewFilesystem{Kind: p.Format, UUID: idOf("filesystem", e.ID), Label: p.Name}}
		if !made.Added && !f.bareOn(*e, p) {
			continue
		}
		if size := (e.Last - e.First + 1) * f.Drive.SectorBytes; size < made.Made.LeastBytes() {
			f.laying = append(f.laying, Finding{Severity: Stop, At: p.At, Summary: shorten("partition " + p.Name + " is too small for " + p.Format),
				Detail:   "mkfs." + p.Format + " makes nothing below " + facts.Size(made.Made.LeastBytes()) + ", and the order would end there.",
				Causes:   []Cause{{fmt.Sprintf("partition %d of /dev/%s", e.Number, f.Content.Of), facts.Size(size)}},
				Remedies: []string{"state a larger size for partition " + p.Name, "state another format of " + plain.Names(spec.Filesystems()), "choose a larger drive"}})
			continue
		}
		f.Filesystems = append(f.Filesystems, made)
	}
}

// bareOn tells whether a filesystem is to be made on a partition that was there
// before. Without a known signature it may still hold something: that needs the
// drive's serial too.
func (f *filler) bareOn(e facts.Entry, p spec.Partition) bool {
	if f.Copy != nil {
		return false // it is the system's own, of the same name
	}
	v := f.Content.Volume(e.Number)
	there := Cause{fmt.Sprintf("partition %d of /dev/%s", e.Number, f.Content.Of), "nothing known"}
	if v == nil || v.Gap != "" {
		return false // the check return-mount says so where it matters
	}
	switch s := v.Signature; {
	case s == nil:
	case s.Usage != "filesystem":
		f.laying = append(f.laying, memberFinding(p.Name, p.At, s, Cause{there.Path, "holds " + s.Kind}, "No filesystem is made on it, with erase neither.", "take the format out of partition "+p.Name))
		return false
	case s.Kind != p.Format:
		there.Value = "holds " + s.Kind
		f.laying = append(f.laying, Finding{Severity: Caution, At: p.At, Summary: shorten("partition " + p.Name + " holds " + s.Kind + ", not " + p.Format),
			Detail: "A filesystem that is there is never made anew.", Causes: []Cause{there}, Remedies: []string{"state format = \"" + s.Kind + "\" where that is what it is", "make it anew by hand, after saving what is on it"}})
		return false
	default:
		return false
	}
	if f.drive.Erase == "" {
		f.laying = append(f.laying, Finding{Severity: Caution, At: p.At, Summary: shorten("partition " + p.Name + " holds no filesystem"),
			Detail: "It was there before, so what is on it counts as in use although no known signature is found.", Causes: []Cause{there},
			Remedies: []string{"look at what it holds: blkid -p, wipefs without options", "make it by hand where nothing is needed: mkfs." + p.Format + " on its device", "allow it by the drive's serial: erase = \"" + f.Drive.Serial + "\""}})
		return false
	}
	return true
}

// memberFinding says that a partition is a part of something else: an array, a
// volume group, encryption, swap, a disk of a guest, or what nobody knows.
func memberFinding(partition string, at spec.Place, s *facts.Signature, cause Cause, why, remedy string) Finding {
	return Finding{Severity: Stop, At: at, Summary: shorten("partition " + partition + " is " + s.Kind + ", no filesystem"),
		Detail:   "What is on it belongs to what it is a part of, and is in use for all that is known. " + why,
		Causes:   []Cause{cause},
		Remedies: []string{remedy, "name the partition that holds the filesystem"}}
}
