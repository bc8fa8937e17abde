package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// awaits stops what would make a partition, or copy one, that a guest or a pool
// names already: nobody is seen as its user before it is there, and then its user
// and the host would both write it. A partition that the layout states without a
// filesystem, and that a guest which is off waits for, may be made for it.
func (f *filler) awaits() {
	t := f.After
	if t == nil && f.Copy != nil {
		t = f.Image.Table
	}
	drive := f.c.Facts.Block(f.Content.Of)
	if t == nil || drive == nil || drive.Name == "" {
		return
	}
	names := map[string]facts.Entry{}
	for _, e := range t.Entries {
		for _, name := range drive.Names(e, f.volumeOf(e)) {
			names[name] = e
		}
	}
	for _, a := range f.c.Facts.Awaits(names) {
		finding := Finding{Severity: Stop, At: f.drive.At,
			Summary:  shorten(string(a.Kind) + " " + a.User + " names a partition to be of " + f.name()),
			Detail:   fmt.Sprintf("Once partition %d is on the drive, what that names is there, and it would be used by both. Nothing is written where that could happen.", a.Entry.Number),
			Causes:   []Cause{{a.Named, "is not there yet; named by " + string(a.Kind) + " " + a.User}},
			Remedies: []string{"take " + a.Named + " out of " + string(a.Kind) + " " + a.User, "name there what was meant, if it is something else"},
		}
		if f.madeFor(a.Entry) && !a.Live {
			finding.Severity = Caution
		}
		f.laying = append(f.laying, finding)
	}
}

// volumeOf gives what will be on a partition: a filesystem that is made, or one of
// the image.
func (f *filler) volumeOf(e facts.Entry) facts.Volume {
	for _, made := range f.Filesystems {
		if made.On.Number == e.Number {
			return facts.Volume{Number: e.Number, Signature: &facts.Signature{UUID: made.Made.UUID, Label: made.Made.Label}}
		}
	}
	if f.Copy != nil {
		if v := f.Image.Volume(e.Number); v != nil {
			return *v
		}
	}
	return facts.Volume{}
}

// madeFor tells whether a partition is stated without a filesystem: then it is
// made for somebody else than the host.
func (f *filler) madeFor(e facts.Entry) bool {
	return slices.ContainsFunc(f.drive.Partitions, func(p spec.Partition) bool { return p.Name == e.Name && p.Format == "" })
}
