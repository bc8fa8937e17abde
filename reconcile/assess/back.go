// copy-from: the system that shall go back from the drive of a controller to a new
// image cannot, or that is dangerous: something is there already, or an unfinished
// copy; there may be no room; the drive is lent, in use, or of a kind that cannot
// be taken apart; what was left hibernated or dirty; a partition that others use.
//
// The image gets the partitions that the drive block of the controller does not
// state, at their places, with a partition table that has those alone. What is on
// the others, and between partitions, is never read: a shelf on the same drive holds
// the disks of other guests. A partition is left out as well where lendkeep made it
// for the host; one that is in use, or a disk of a guest, stops the order until it is
// stated or free.
//
// A file that is there counts as the copy only where lendkeep made it of this very
// drive, and its guest has it as a disk. The image from which the system once moved
// has the same identity, and is older.
//
// Severity: stop where it cannot be made; caution for what goes into it, for a
// filesystem that was not shut down, and since the system may not start from its new
// disk; note for a partition that the layout does not state and that stays out.
//
// Remedy: each case names its own: shut the guest down in full, choose another path,
// state the host's partitions, and take copy_from out once the system has moved.
package assess

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkCopyFrom(c *Case) []Finding {
	var list []Finding
	for _, back := range c.Backs() {
		list = append(list, back.findings...)
	}
	return list
}

// Back is the image of a disk that is made of the system on a drive.
type Back struct {
	Guest *spec.Guest
	Disk  spec.Disk
	Found Found
	Drive facts.Drive
	Table facts.Table    // of the drive
	Image facts.NewImage // that is made; of nothing where Does is false
	Does  bool           // it is to be made, and can be

	findings []Finding
}

// Backs plans every image that is made of a drive; once.
func (c *Case) Backs() []Back {
	if c.backs == nil {
		c.backs = []Back{}
		for i := range c.Layout.Guests {
			g := &c.Layout.Guests[i]
			for _, d := range g.Disks {
				if d.CopyFrom != nil && !g.Retired {
					b := backer{c: c, Back: Back{Guest: g, Disk: d, Found: c.Found(d.CopyFrom.Name)}}
					b.Does = b.plan()
					c.backs = append(c.backs, b.Back)
				}
			}
		}
	}
	return c.backs
}

// makes tells whether an order makes the image.
func (c *Case) makes(image string) bool {
	return slices.ContainsFunc(c.Backs(), func(b Back) bool { return b.Does && b.Disk.Image == image })
}

// backer plans one.
type backer struct {
	Back
	c       *Case
	content *facts.Content // of the drive
}

func (b *backer) say(severity Severity, summary, detail string, cause Cause, remedies ...string) {
	b.findings = append(b.findings, Finding{Severity: severity, At: b.Disk.CopyFrom.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{cause}, Remedies: remedies})
}

func (b *backer) stop(summary, detail string, cause Cause, remedies ...string) bool {
	b.say(Stop, summary, detail, cause, remedies...)
	return false
}

// plan tells whether the image is to be made.
func (b *backer) plan() bool {
	if there, seen := b.place(); !seen || there {
		return false
	}
	if !b.source() || !b.take() {
		return false
	}
	b.users()
	b.volumes()
	b.room()
	b.tell()
	return !Stops(b.findings)
}

// place asks what is where the image goes. It tells whether the image is there, as
// lendkeep made it, and whether anything can be said.
func (b *backer) place() (there, seen bool) {
	image, known := b.Disk.Image, b.c.Facts.Guest(b.Guest.Name)
	p, room := b.c.Facts.Path(image), b.c.Facts.Room(image)
	why := ""
	switch {
	case p == nil || room == nil:
		why = "nobody looked"
	default:
		why = cmp.Or(room.Gap, p.Gap)
	}
	controller := b.Found.Controller
	switch {
	case b.c.hidden(image) && known != nil && b.c.Facts.Has(known, image):
		b.say(Note, "image "+image+" is not looked at", "Guest "+b.Guest.Name+" has it as a disk, so it counts as made. It belongs on a mount that is not there now.", Cause{image, "its mount is absent"},
			"take copy_from out of the layout once the guest has started well from it")
		return true, true
	case b.c.hidden(image):
		return false, b.stop("image "+image+" would be on no mount", "It belongs on a mount of the layout that is not there now: what is written there would lie on another drive.", Cause{image, "its mount is absent"},
			"plan again when the mount is there", "choose another path")
	case why != "":
		return false, b.stop("where image "+image+" goes is not known", "Whether something is there already, and how much room there is, must be seen before.", Cause{image, why},
			"check on the host itself, as root and without --survey", "make its folder, or correct the path")
	case !p.Missing && !room.Unfinished && controller.NVMe != nil && room.From == controller.NVMe.Serial:
		return b.current(known)
	case room.Unfinished:
		return false, b.stop("an unfinished copy is beside "+image, "Another order began it and has not ended.", Cause{facts.PartOf(image), "there"},
			"end that order: lendkeep resume, or lendkeep rollback", "see what it is, and remove it where nobody needs it")
	case !p.Missing:
		return false, b.stop("file "+image+" is there already", "It was not made by lendkeep of the drive of "+controller.Name+", so it may hold anything: the system as it was before it moved, for one. Nothing is written over it.", Cause{image, "there"},
			"choose another path for the image", "take copy_from out of the layout where it is the copy already")
	}
	return false, true
}

// current tells whether an image that lendkeep made of the drive is the system as it is
// now: its guest has it as a disk, and goes on in it. Else the guest may have gone on on
// the drive, as after an order that was rolled back, and the image be older.
func (b *backer) current(known *facts.Guest) (there, seen bool) {
	image := b.Disk.Image
	if known != nil && b.c.Facts.Has(known, image) {
		return true, true
	}
	return false, b.stop("image "+image+" may be older than the drive", "Lendkeep made it of the drive of "+b.Found.Controller.Name+", but guest "+b.Guest.Name+" does not have it as a disk: it may have gone on on the drive since.", Cause{image, "made of " + b.Found.Controller.Name},
		"choose another path for the image", "move the file away where nobody needs it, then plan again", "resume an order that has not ended: lendkeep resume")
}

// source asks whether the drive can be read and belongs to nobody meanwhile.
func (b *backer) source() bool {
	name := b.Found.Controller.Name
	f := filler{c: b.c, found: b.Found, drive: &spec.Drive{At: b.Disk.CopyFrom.At}}
	switch {
	case b.Found.Function == nil || b.Found.Where == facts.Gone:
		return b.stop("drive of "+name+" is not there", "So no image can be made of it.", Cause{b.Found.Controller.At.String(), cmp.Or(b.Found.Why, "not found")},
			"see the finding controller-identity", "take copy_from out of the layout")
	case b.Found.Where != facts.Home:
		return b.stop("drive of "+name+" is "+string(b.Found.Where)+", not home", "What is on it is seen, and can be read, only when the host has it.", causeOf(b.Found.Function, "driver", cmp.Or(b.Found.Function.Driver, none)),
			"shut down the guest that has it, then plan again")
	case b.Found.Function.NVMe == nil || len(b.Found.Function.NVMe.Namespaces) != 1:
		return b.stop("drive of "+name+" cannot be told", "A drive is copied only where it says what it is and is the only one of its controller.", causeOf(b.Found.Function, "class", fmt.Sprintf("%06x", b.Found.Function.Class)),
			"make the image by hand: qemu-img convert")
	case b.c.RunsNow(b.Guest.Name):
		return b.stop("guest "+b.Guest.Name+" runs", "Its system is not copied while it may write to it.", Cause{b.Guest.At.String(), "guest " + b.Guest.Name}, "shut down guest "+b.Guest.Name+", then plan again")
	case !f.identify():
		b.findings = append(b.findings, f.laying...)
		return false
	}
	b.Drive, b.content = f.Drive, f.Content
	if on := b.c.Facts.Holding(b.Disk.Image); on != nil && slices.ContainsFunc(b.c.Uses(b.Found.Function.Address), func(u facts.Use) bool { return u.Mount == on }) {
		return b.stop("image "+b.Disk.Image+" would lie on the same drive", "By a link or a mount its folder is on the drive of "+name+" itself, so nothing would be given up.", Cause{on.Path, "mounted from " + name}, "choose a path on another drive")
	}
	if b.c.Filling(name).Does() {
		return b.stop("the same order would write the drive of "+name, "The layout states partitions that are not on it yet. What a copy is made of must not change meanwhile.", Cause{b.Found.Controller.At.String(), "its drive block"},
			"take from the drive block what is not on the drive", "make the partitions first, in an order of their own")
	}
	return true
}

// volumes judges how the filesystems that go were left.
func (b *backer) volumes() {
	for _, e := range b.Image.Table.Entries {
		v := b.content.Volume(e.Number)
		at := fmt.Sprintf("partition %d of /dev/%s", e.Number, b.content.Of)
		switch {
		case v == nil || v.Gap != "":
			b.say(Caution, fmt.Sprintf("what is on partition %d is not known", e.Number), "It is copied as it is.", Cause{at, gapOf(v)}, "take the survey as root", "state it in the drive block where it is the host's")
		case v.Condition == facts.Hibernated:
			b.stop("the system on "+b.Found.Controller.Name+" is hibernated", "It would go on from its saved memory, which knows the drive as its disk, and ruin what it finds in the image.", Cause{at, v.Why},
				"start its guest and shut it down in full; in Windows turn fast startup off first: powercfg /h off")
		case v.Condition == facts.Dirty:
			b.say(Caution, fmt.Sprintf("partition %d was not shut down", e.Number), "It is copied as it is, and repairs itself at the first start, as after a power cut.", Cause{at, v.Why}, "start its guest once more and shut it down")
		case v.Condition == facts.UnsureIfClean:
			b.say(Caution, fmt.Sprintf("how partition %d was left is not known", e.Number), "It is copied as it is.", Cause{at, cmp.Or(v.Why, none)}, "start its guest once more and shut it down")
		}
	}
}

func gapOf(v *facts.Volume) string {
	if v == nil {
		return "nothing was read of it"
	}
	return v.Gap
}

// room asks whether all of it would fit. How much of a partition is in use its
// filesystem knows, so it is taken for full: an image that fills up the filesystem of
// other images stops their guests.
func (b *backer) room() {
	need, free := b.Image.MostBytes(), b.c.Facts.Room(b.Disk.Image).FreeBytes
	if need > free {
		b.stop("no room for image "+b.Disk.Image, "It takes up to "+facts.Size(need)+", if all of its partitions are full.", Cause{b.Disk.Image, facts.Size(free) + " free"},
			"choose a folder with more room", "shrink the system's partitions in its guest")
	}
}

// tell says what goes, and what nobody can see.
func (b *backer) tell() {
	b.say(Caution, "what goes from "+b.Found.Controller.Name+" into the image", "Whoever uses guest "+b.Guest.Name+" can read all of it. What the layout states in the drive block stays out, and so does what lies between partitions.",
		Cause{"/dev/" + b.content.Of, partsIn(b.Image.Table.Entries, b.content)}, "see that all of it is the system's own", "state the host's partitions in the drive block")
	b.say(Caution, "whether "+b.Guest.Name+" starts from its new disk is not known", "The system has run from NVMe. Its driver for a disk on "+b.Disk.Bus+" must start at boot, and an entry of its firmware that names the drive leads nowhere.",
		Cause{b.Disk.At.String(), "bus = \"" + b.Disk.Bus + "\""}, "keep the drive as it is until the guest has started once from the image", "state bus = \"sata\" for the first start of a Windows that never ran on virtio")
	for _, other := range b.c.Borrowers(b.Found.Controller.Name) {
		if other.Boots != nil && other.Boots.Name == b.Found.Controller.Name {
			b.say(Caution, "guest "+other.Name+" still boots from "+b.Found.Controller.Name, "Its system and that in the image are then two with one identity, and part from each other.", Cause{other.At.String(), "boots"}, "take it out of boots and borrows")
		}
	}
	for i := range b.c.Facts.Survey.Contents {
		other := &b.c.Facts.Survey.Contents[i]
		if other.Of != b.content.Of && other.Holds(b.content) {
			b.say(Caution, other.Of+" is a twin of the image to come", "Both have the same identity of table and partitions. A system that sees one beside the other may use the wrong one.", Cause{other.Of, "table id " + other.Table.ID}, "keep it away from guest "+b.Guest.Name)
		}
	}
}
