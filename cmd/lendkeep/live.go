package main

import (
	"context"
	"path/filepath"
	"slices"

	"lendkeep/providers/archive"
	"lendkeep/providers/drive"
	"lendkeep/providers/drive/system"
	"lendkeep/providers/files"
	"lendkeep/providers/firmware"
	"lendkeep/providers/holding"
	"lendkeep/providers/hook"
	"lendkeep/providers/libvirt"
	"lendkeep/providers/mounting"
	"lendkeep/providers/person"
	"lendkeep/providers/sysfs"
	"lendkeep/providers/systemd"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/spec/plain"
)

// openLive gives this machine.
func (w *where) openLive(uri string) (host, error) {
	if uri == "" {
		uri = defaultURI
	}
	tree := sysfs.Machine()
	if w.recording != nil {
		tree = w.recorded
	}
	conn, away := libvirt.Open(uri)
	if away != nil && !w.lenient {
		return host{}, fail(exitUsage, "see that libvirt runs and that you may use it: virsh -c "+plain.Quoted(uri)+" list; or work on a survey: --survey FILE", "%w", away)
	}
	confirmed := person.File{Path: filepath.Join(files.Kept, "confirmed.json")}
	drives := drive.Drives{Root: "/", Folder: filepath.Join(files.Kept, "drives"), Systems: system.Look}
	if w.progress != nil {
		drives.Watch = w.progress.copied
	}
	images := slices.Concat(w.images, w.made)
	for _, source := range w.sources {
		images = append(images, source.Path)
	}
	silent := func(context.Context) (facts.Virtualization, map[string]string) { return unanswered(uri, away), nil }
	live := liveHost{tree: tree, libvirt: silent, firmware: firmware.OnHost(tree.FS(), firmwareCache(), w.donors...), images: images,
		contents: drive.Contents{Root: "/", Systems: system.Look}, sources: w.sources, about: w.about, drives: drives, made: w.made, confirmed: confirmed, recording: w.recording, guests: &askedGuests{progress: w.progress}}
	if away != nil { // there is nothing to act through
		return host{step.Ports{Survey: live}, func() {}}, nil
	}
	live.libvirt, live.guests.channel = conn.Answers, conn
	return host{step.Ports{
		Survey: live, Guests: conn, Mounts: mounting.Programs{}, Functions: tree, Recovery: tree, Pages: tree, Virtuals: tree,
		Stores: firmware.Stores{Root: "/", Keep: filepath.Join(files.Kept, "variables")},
		Guard:  hook.Files{Root: "/"}, Watch: systemd.Units{Root: "/"}, BootAids: firmware.Folder{Root: "/"}, Drives: drives, Starters: drives, Images: drives, Person: askingAfter{confirmed, live.guests},
	}, conn.Close}, nil
}

// liveHost reads the facts of this machine: libvirt first, since guests name
// paths that are then looked at.
type liveHost struct {
	tree      sysfs.Tree
	libvirt   func(context.Context) (facts.Virtualization, map[string]string) // and what it said, by file
	firmware  *firmware.Host
	images    []string // paths that the layout names
	contents  drive.Contents
	sources   []facts.StatedImage // images that are looked into, besides every NVMe drive
	drives    drive.Drives
	made      []string // images that are made of drives
	confirmed person.File
	recording *archive.Recording // gets what is not read from the tree; nil: nothing is kept
	guests    *askedGuests       // which run from those images

	about func(*facts.Index) map[facts.Address]bool // functions whose drives are sampled; nil: all are
}

// Survey reads everything.
func (h liveHost) Survey(ctx context.Context) (facts.Survey, error) {
	virtualization, answers := h.libvirt(ctx)
	survey, err := complete(ctx, h.tree, h.firmware, virtualization, h.images...)
	if err != nil {
		return survey, err
	}
	holding.AskAll(ctx, &survey)
	h.contents.Survey(ctx, &survey, h.looks(&survey), h.sources)
	h.drives.Rooms(&survey, h.made)
	h.guests.ask(ctx, &survey, h.sources)
	if h.recording != nil {
		keepAnswers(h.recording, answers, survey.Contents)
	}
	if survey.Confirmed, err = h.confirmed.Read(); err != nil {
		// Nothing is confirmed then, which is safe.
		survey.Gaps = append(survey.Gaps, facts.Gap{Fact: "confirmations", Path: h.confirmed.Path, Reason: err.Error()})
	}
	return survey, nil
}

// looks gives every NVMe drive. Only of those that an order speaks of it matters to it
// whether they are blank all over.
func (h liveHost) looks(survey *facts.Survey) (list []drive.Look) {
	var spoken map[facts.Address]bool
	if h.about != nil {
		spoken = h.about(facts.NewIndex(survey))
	}
	for at, n := range survey.Namespaces() {
		list = append(list, drive.Look{Name: n.Block, Sample: h.about == nil || spoken[at]})
	}
	return list
}
