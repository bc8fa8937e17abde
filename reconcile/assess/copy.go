// copy: the installed system that shall move from an image to the drive of a
// controller cannot be copied, or copying it is dangerous: the drive is too
// small, has another sector size or is not blank; the image is in use, was left
// hibernated or dirty, is of a format that nobody states, holds no system; its own
// table is seen twice; the system will not start from NVMe.
//
// Whether it will is seen, not asked of a person, where that can be: a guest that
// runs says so itself through its agent, and of one that is off the image is
// looked into. Of Windows it is asked whether its NVMe driver starts at boot,
// whether drive encryption is bound to the old disk and whether shutting down
// hibernates; of Linux whether the initramfs holds the driver, whether anything
// names the old disk and whether the loader's entries lead to a kernel. What was
// seen is told, and where. What is as it must be the order asks nobody for; where a
// few bytes of a Windows' registry let its driver start at boot the order writes
// them, on the copy alone; the rest is a step by hand, of which what is seen to be
// wrong counts as not done, whatever is confirmed. Of Windows all this is proved by
// formats alone: keep the image until the first good start from the drive.
//
// Whether the drive holds the system already is told by the identity of its
// partition table. Erasing what is on a drive needs its serial in the layout
// (erase) and again at the approval.
//
// Severity: stop where it cannot be copied, something would be lost, the system is
// another than the layout states, or the order would start a guest whose system
// was seen not to start; caution where it may not start, is seen twice, or what the
// drive holds is written over; note of what was seen to be as it must be, and where
// the image is gone or the drive is away, so that nothing can be compared.
//
// Remedy: each case names its own: shut the guest down in full, take the driver into
// the initramfs, state the format, choose a larger drive, and only then allow erasing.
package assess

import (
	"cmp"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkCopy(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Controllers {
		list = append(list, c.Filling(c.Layout.Controllers[i].Name).copying...)
	}
	return list
}

func (f *filler) say(severity Severity, summary, detail string, cause Cause, remedies ...string) {
	f.copying = append(f.copying, Finding{Severity: severity, At: f.drive.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{cause}, Remedies: remedies})
}

// copy plans the copying where the drive does not hold the system yet. It tells
// whether the rest can be planned.
func (f *filler) copy() bool {
	source := f.drive.CopyOf
	f.Image = f.c.Facts.Content(source)
	seen := f.c.Facts.Path(source)
	switch {
	case f.Content.Holds(f.Image):
		f.mend(f.c.Facts.SystemOn(f.Content.Of))
		f.twins()
		return true
	case seen != nil && seen.Missing && f.Content.Table != nil && f.Content.Unfinished == "":
		f.say(Note, "image "+source+" is not there", "What the drive of "+f.name()+" holds cannot be compared with it, and is taken for the system: "+f.Content.Describe()+".",
			Cause{source, "no such file"}, "take copy_of out of the layout once the image is no longer needed")
		return true
	case !f.format():
		return f.Content.Table != nil && f.Content.Unfinished == "" && !Stops(f.copying)
	case f.Image == nil || len(f.Image.Gaps) > 0:
		f.say(Stop, "image "+source+" could not be read", "What is not known is not copied.", Cause{source, f.unread(seen)}, "correct the path in the layout", "convert the image to qcow2 or raw: qemu-img convert", surveyLayout)
		return false
	}
	f.Copy = &facts.Source{Path: source, Format: f.Image.Format, SizeBytes: f.Image.SizeBytes, Behind: f.Image.Behind}
	f.behind()
	f.target()
	f.source()
	f.system(f.c.Facts.SystemIn(source))
	f.twins()
	return !Stops(f.copying)
}

// format asks of which format the image is. Once the system has moved no
// definition says it any more; the drive is then taken for the system, as where
// the image is gone.
func (f *filler) format() bool {
	source := f.drive.CopyOf
	format, err := f.c.Facts.FormatOf(source, f.drive.CopyFormat)
	var unknown facts.ErrFormat
	switch {
	case errors.As(err, &unknown) && len(unknown.Said) > 0:
		f.say(Stop, "format of image "+source+" is disputed", "Raw read as qcow2, or the reverse, gives another disk, and what a guest has written there could name any file of the host.", Cause{source, err.Error()},
			"see how its guest runs from it: the type of the disk's driver in virsh dumpxml", "correct the layout: copy_of = image(\""+source+"\", \"FORMAT\")", "correct the definition: virsh edit")
	case err != nil && f.Content.Table != nil && f.Content.Unfinished == "":
		f.say(Caution, "image "+source+" is not compared with the drive", "No guest has it as a disk any more and the layout does not state its format. What the drive of "+f.name()+" holds is taken for the system: "+f.Content.Describe()+".", Cause{source, err.Error()},
			stateFormat(source), "take copy_of out of the layout once the image is no longer needed")
	case err != nil:
		f.say(Stop, "format of image "+source+" is not stated", "What is not known is not copied.", Cause{source, err.Error()}, stateFormat(source))
	case f.Image != nil && len(f.Image.Gaps) == 0 && f.Image.Format != format:
		f.say(Stop, "image "+source+" was looked into as "+f.Image.Format, "It is "+format+", so what was seen of it says nothing.", Cause{source, "format " + f.Image.Format}, "take the survey again: lendkeep check LAYOUT on the host itself, without --survey")
		return false
	}
	return err == nil
}

func stateFormat(source string) string {
	return "state how the image was made: copy_of = image(\"" + source + "\", \"qcow2\"), or \"raw\""
}

// behind tells of files that the image is based on and that lie elsewhere.
func (f *filler) behind() {
	for _, file := range f.Image.Behind {
		if path.Dir(file.Path) != path.Dir(f.drive.CopyOf) {
			f.say(Caution, "image "+f.drive.CopyOf+" is based on a file elsewhere", "What is in it becomes part of the copy, so the guest can read it.", Cause{file.Path, "behind " + f.drive.CopyOf},
				"see that the guest may read it", "join them: qemu-img commit, or qemu-img convert to an image of its own")
		}
	}
}

func (f *filler) unread(seen *facts.Path) string {
	switch {
	case f.Image != nil:
		return f.Image.Gaps[0].Reason
	case seen != nil && seen.Missing:
		return "no such file"
	default:
		return "nothing was read of it"
	}
}

// surveyLayout has a survey hold what it does not look at by itself.
const surveyLayout = "take the survey again, of what the layout names too: lendkeep survey --layout LAYOUT -o FILE"

// target asks whether the drive can take the image.
func (f *filler) target() {
	at := Cause{"/dev/" + f.Content.Of, fmt.Sprintf("%d bytes in sectors of %d", f.Drive.SizeBytes, f.Drive.SectorBytes)}
	if f.Image.SizeBytes > f.Drive.SizeBytes {
		f.say(Stop, "drive of "+f.name()+" is too small", fmt.Sprintf("%s has %s, the drive %s.", f.drive.CopyOf, facts.Size(f.Image.SizeBytes), facts.Size(f.Drive.SizeBytes)), at,
			"shrink the system's partitions in the guest, then the image: qemu-img resize --shrink", "choose a larger drive")
	}
	if f.Image.SectorBytes != f.Drive.SectorBytes {
		f.say(Stop, "drive of "+f.name()+" has sectors of another size", fmt.Sprintf("A partition table counts in sectors: one written for sectors of %d bytes means other places on a drive with sectors of %d.", f.Image.SectorBytes, f.Drive.SectorBytes), at,
			"format the drive with sectors of 512 bytes where it can do that (nvme id-ns, nvme format; that erases it: see its maker's manual)", "choose another drive")
	}
	if f.Content.Blank {
		return
	}
	f.Clear = true
	holds := Cause{"/dev/" + f.Content.Of, "holds " + f.Content.Describe()}
	if f.drive.Erase == "" {
		f.say(Stop, "drive of "+f.name()+" is not blank", "Copying the system writes over what is on it.", holds,
			"look at what it holds, and save what is needed", "then state in its drive block: erase = \""+f.Drive.Serial+"\"")
		return
	}
	f.say(Caution, "drive of "+f.name()+" is erased", "The layout allows it by the drive's serial "+f.Drive.Serial+", which is asked for again before the order is carried out. Both ends of the drive are kept beside the journal; what lies between is lost once it is written over.", holds,
		"save what is needed from it first", "take erase out of the layout")
}

// source asks whether the image holds a system in a state to be copied.
func (f *filler) source() {
	source := f.drive.CopyOf
	if f.Image.Table == nil {
		f.say(Stop, "image "+source+" holds no partition table", "So it holds no installed system that firmware could start.", Cause{source, "holds " + f.Image.Describe()}, "name the image of the guest's system disk")
		return
	}
	if s := f.Image.Signature; s != nil {
		f.say(Stop, "image "+source+" is more than its table", "Beside the table it is marked as a whole, as an array or a filesystem does it. A copy would be taken for that, too.", Cause{source, "holds " + f.Image.Describe()},
			"see what keeps the mark, and take an old one away in the guest: wipefs lists it")
	}
	running := false
	for i := range f.c.Facts.Survey.Libvirt.Guests {
		g := &f.c.Facts.Survey.Libvirt.Guests[i]
		if !g.Running || !f.c.Facts.Has(g, source) {
			continue
		}
		running = true
		if !f.stops(g.Name) {
			f.say(Stop, "guest "+g.Name+" runs from "+source, "An image that is written to while it is copied gives a broken copy, and the order has no reason to stop this guest.", Cause{source, "disk of guest " + g.Name + ", which is " + g.Condition}, "shut down guest "+g.Name)
		}
	}
	for _, v := range f.Image.Volumes {
		f.volume(v, running)
	}
	f.loaders()
}

// stops tells whether the order shuts a running guest down: one that boots from
// the drive does not keep the image.
func (f *filler) stops(guest string) bool {
	g := f.c.Stated(guest)
	return g != nil && (f.boots(g) || g.Retired)
}

func (f *filler) boots(g *spec.Guest) bool { return g.Boots != nil && g.Boots.Name == f.name() }

// volume judges how a filesystem of the image was left. While its guest runs
// that says nothing, and the step asks again when it is off.
func (f *filler) volume(v facts.Volume, running bool) {
	source := f.drive.CopyOf
	cause := Cause{fmt.Sprintf("partition %d of %s", v.Number, source), fmt.Sprintf("%s: %s", v.Condition, v.Why)}
	switch {
	case running:
	case v.Condition == facts.Hibernated:
		f.say(Stop, "the system in "+source+" is hibernated", "It would go on from its saved memory, which knows the image as its disk, and ruin what it finds on the drive.", cause,
			"start the guest and shut it down in full; in Windows turn fast startup off first: powercfg /h off")
	case v.Condition == facts.Dirty:
		f.say(Caution, "a filesystem in "+source+" was not shut down", "It is copied as it is, and repairs itself at the first start, as after a power cut.", cause, "start the guest once more and shut it down")
	case v.Condition == facts.UnsureIfClean || v.Gap != "":
		f.say(Caution, fmt.Sprintf("how partition %d was left is not known", v.Number), "It is copied as it is. Whether its filesystem was shut down could not be read.", Cause{cause.Path, cmp.Or(v.Why+v.Gap, none)}, "start the guest once more and shut it down")
	}
}

// loaders asks what firmware could start on the copy.
func (f *filler) loaders() {
	source := f.drive.CopyOf
	var esps []facts.Volume
	for _, v := range f.Image.Volumes {
		if v.ESP {
			esps = append(esps, v)
		}
	}
	has := func(v facts.Volume) bool {
		return v.Gap != "" || slices.ContainsFunc(v.Loaders, func(l string) bool { return strings.EqualFold(l, facts.Fallback) })
	}
	switch {
	case len(esps) == 0:
		f.say(Caution, "image "+source+" has no EFI system partition", "UEFI firmware finds nothing to start on the copy.", Cause{source, "holds " + f.Image.Describe()}, "use the BIOS guest as it is, or convert its system to UEFI first")
	case !slices.ContainsFunc(esps, has):
		f.say(Caution, "image "+source+" has no loader at the fallback path", "Firmware that has no entry for this drive starts "+facts.Fallback+" alone.", Cause{source, "loaders: " + cmp.Or(strings.Join(esps[0].Loaders, ", "), none)},
			"copy the system's loader there in the guest (for GRUB: grub-install --removable)", "give the guest's firmware an entry for it")
	}
}

// twins finds other disks with the table's identity: a system that sees both
// may take one for the other.
func (f *filler) twins() {
	for i := range f.c.Facts.Survey.Contents {
		other := &f.c.Facts.Survey.Contents[i]
		if other.Of == f.drive.CopyOf || other.Of == f.Content.Of || !other.Holds(f.Image) {
			continue
		}
		f.say(Caution, other.Of+" is a twin of "+f.drive.CopyOf, "Both have the same identity of table and partitions. A system that sees one beside the copy may use the wrong one.", Cause{other.Of, "table id " + other.Table.ID}, "keep it away from guests that borrow "+f.name())
	}
}
