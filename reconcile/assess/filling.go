package assess

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Filling is what has to be done to a controller's drive so that it holds what
// the layout states. It is planned only where the drive could be looked into;
// where nothing is to be done all of it is zero.
type Filling struct {
	Drive       facts.Drive
	Content     *facts.Content // of the drive as it is; nil: not looked into
	Image       *facts.Content // of the image that is copied, or was
	Clear       bool           // what is on it is erased first
	Copy        *facts.Source
	Before      *facts.Table // that the table is made from; nil: the drive is blank
	After       *facts.Table // nil: no table is written
	Filesystems []Formatting
	Mend        *facts.Answer // of the copy's NVMe driver, which an order lets start at boot; nil: it does not

	copying []Finding // of the check copy
	laying  []Finding // of the check partition
}

// Formatting is a filesystem that is made on a partition.
type Formatting struct {
	On    facts.Entry
	Made  facts.NewFilesystem
	Added bool // the partition is added by the same order
	Over  bool // what is there may be written over
	At    spec.Place
}

// Does tells whether anything is to be done.
func (f Filling) Does() bool {
	return f.Clear || f.Copy != nil || f.After != nil || f.Mend != nil || len(f.Filesystems) > 0
}

// Fills tells whether anything is to be done that the drive counts as filled after.
func (f Filling) Fills() bool { return f.Copy != nil || f.After != nil || f.Mend != nil }

// Makes gives the filesystem that is made on the partition of that name, or nil.
func (f Filling) Makes(partition string) *Formatting {
	i := slices.IndexFunc(f.Filesystems, func(made Formatting) bool { return made.On.Name == partition })
	if i < 0 {
		return nil
	}
	return &f.Filesystems[i]
}

// Filling plans what has to be done to the drive of a controller; once each.
func (c *Case) Filling(controller string) Filling {
	if made, ok := c.fillings[controller]; ok {
		return made
	}
	f := filler{c: c, found: c.Found(controller)}
	if f.found.Controller.Drive != nil {
		f.fill()
	}
	c.fillings[controller] = f.Filling
	return f.Filling
}

// filler plans the filling of one drive.
type filler struct {
	Filling
	c     *Case
	found Found
	drive *spec.Drive
}

func (f *filler) fill() {
	f.drive = f.found.Controller.Drive
	if f.found.Where != facts.Home {
		f.away()
		return
	}
	if f.drive.CopyOf == "" && len(f.c.unmade(f.found)) == 0 && len(f.bare()) == 0 {
		return // the kernel shows all that is stated
	}
	if !f.identify() {
		return
	}
	if f.drive.CopyOf != "" && !f.copy() {
		return
	}
	f.lay()
	if f.Does() {
		f.use()
		f.awaits()
	}
}

// away: a drive that the host does not have cannot be looked into. What an
// order did to it before it was lent is believed.
func (f *filler) away() {
	if f.drive.CopyOf == "" || f.found.Where == facts.Gone {
		return
	}
	f.copying = append(f.copying, Finding{Severity: Note, At: f.drive.At,
		Summary:  shorten("drive of " + f.name() + " is not looked into while it is " + string(f.found.Where)),
		Detail:   "Whether it holds the system of " + f.drive.CopyOf + " is seen when the controller is home. Until then nothing on it is written.",
		Causes:   []Cause{causeOf(f.found.Function, "driver", cmp.Or(f.found.Function.Driver, none))},
		Remedies: []string{"plan again when its guest is off"},
	})
}

func (f *filler) name() string { return f.found.Controller.Name }

// bare gives the stated partitions that are there, shall have a filesystem, and
// have none that the kernel's tools know.
func (f *filler) bare() []spec.Partition {
	var list []spec.Partition
	for _, p := range f.drive.Partitions {
		part := f.c.Facts.PartitionNamed(f.found.Function.Address, p.Name)
		if p.Format != "" && part != nil && (part.Signature == nil || part.Signature.Usage != "filesystem") {
			list = append(list, p)
		}
	}
	return list
}

// identify finds the one drive of the controller. Where there are several,
// which of them is meant would be a guess.
func (f *filler) identify() bool {
	n := f.found.Function.NVMe
	switch {
	case n == nil:
		f.stop("drive of "+f.name()+" cannot be told", "Drives are written only where they say what they are, and of controllers other than NVMe lendkeep does not read that.",
			causeOf(f.found.Function, "class", fmt.Sprintf("%06x", f.found.Function.Class)), "partition it by hand, and leave drive out of the layout")
		return false
	case len(n.Namespaces) != 1:
		f.stop("controller "+f.name()+" has not exactly one drive", fmt.Sprintf("It has %d namespaces, and which of them is meant would be a guess.", len(n.Namespaces)),
			causeOf(f.found.Function, "nvme", fmt.Sprintf("%d namespaces", len(n.Namespaces))), "partition it by hand, and leave drive out of the layout")
		return false
	}
	space := n.Namespaces[0]
	f.Drive = facts.Drive{Controller: f.name(), Serial: n.Serial, Namespace: space.ID, SizeBytes: space.SizeBytes, SectorBytes: space.SectorBytes}
	f.Content = f.c.Facts.Content(space.Block)
	why := ""
	switch {
	case f.Content == nil:
		why = "nothing was read of it"
	case len(f.Content.Gaps) > 0:
		why = f.Content.Gaps[0].Fact + ": " + f.Content.Gaps[0].Reason
	}
	if why == "" {
		return true
	}
	f.stop("what is on the drive of "+f.name()+" is not known", "Nothing is written to a drive that could not be read: what it holds counts as in use.",
		Cause{"/dev/" + space.Block, why}, "take the survey as root, on the host itself", "see what it holds: blkid -p, wipefs without options", "repair its partition table: sgdisk -v shows what is wrong, sgdisk's recovery menu mends it")
	return false
}

func (f *filler) stop(summary, detail string, cause Cause, remedies ...string) {
	f.laying = append(f.laying, Finding{Severity: Stop, At: f.drive.At, Summary: shorten(summary), Detail: detail, Causes: []Cause{cause}, Remedies: remedies})
}

// use stops what would write to a drive that anybody uses, or that must never
// be touched.
func (f *filler) use() {
	if slices.Contains(f.c.Layout.Host.NeverLend, f.Drive.Serial) {
		f.stop("drive "+f.Drive.Serial+" is never written", "The layout lists its serial under never_lend, and such a drive is not partitioned either.",
			Cause{f.c.Layout.Host.At.String(), "never_lend has " + f.Drive.Serial}, "take the drive block out of controller "+f.name())
	}
	for _, use := range f.c.Uses(f.found.Function.Address) {
		if use.Live || use.Kind == facts.UseGuest && f.Clear {
			f.stop("drive of "+f.name()+" is in use: "+string(use.Kind)+" "+use.User, "Nothing is written to it under this user, and nothing that is used is erased.",
				Cause{use.Chain[0], use.String()}, f.c.freeing(f.found, use)...)
		}
	}
}
