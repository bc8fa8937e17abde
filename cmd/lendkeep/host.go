package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/providers/drive"
	"lendkeep/providers/drive/content"
	"lendkeep/providers/firmware"
	"lendkeep/providers/hook"
	"lendkeep/providers/libvirt"
	"lendkeep/providers/libvirt/dump"
	"lendkeep/providers/memory"
	"lendkeep/providers/person"
	"lendkeep/providers/sysfs"
	"lendkeep/providers/systemd"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// keepFolder is where a real host's journals and lock lie (Filesystem Hierarchy
// Standard 3.0, 5.8: /var/lib).
const keepFolder = "/var/lib/lendkeep"

// defaultURI is libvirt's own name for the host's system guests.
const defaultURI = "qemu:///system"

// host is a host that can be read and acted on.
type host struct {
	step.Ports
	close func()
}

// where says which host a command is about.
type where struct {
	standIn string
	survey  string
	connect string
	images  []string // what the layout names, to be looked at as well
	donors  []string // firmware that the layout or an order names, likewise
	sources []string // images of systems that move, which are looked into

	progress *progress // told how a copy goes on; nil where nothing is copied
}

func (w *where) flags(c *cobra.Command, survey bool) {
	c.Flags().StringVar(&w.standIn, "stand-in", "", "work on the stand-in host kept in `FOLDER` instead of this machine")
	c.Flags().StringVar(&w.connect, "connect", "", "libvirt connection `URI`; by default the layout's, else "+defaultURI)
	if survey {
		c.Flags().StringVar(&w.survey, "survey", "", "read the facts from a survey `FILE` instead of a host")
	}
}

// keep gives the folder of the host's journals and its lock.
func (w *where) keep() string {
	if w.standIn != "" {
		return filepath.Join(w.standIn, "journals")
	}
	return keepFolder
}

// open gives the host to act on. uri is the layout's wish, if there is one.
func (w *where) open(ctx context.Context, uri string) (host, error) {
	if w.standIn != "" {
		return openStandIn(ctx, w.standIn)
	}
	if w.connect != "" {
		uri = w.connect
	}
	return w.openLive(uri)
}

// facts reads the host, or the survey file where one is given.
func (w *where) facts(ctx context.Context, uri string) (facts.Survey, error) {
	if w.survey != "" {
		return readSurvey(w.survey)
	}
	h, err := w.open(ctx, uri)
	if err != nil {
		return facts.Survey{}, err
	}
	defer h.close()
	start := time.Now()
	survey, err := h.Survey.Survey(ctx)
	zerolog.Ctx(ctx).Info().Dur("took", time.Since(start)).Int("functions", len(survey.Functions)).
		Int("guests", len(survey.Libvirt.Guests)).Int("gaps", len(survey.Gaps)+len(survey.Libvirt.Gaps)).Msg("host read")
	return survey, err
}

func readSurvey(name string) (facts.Survey, error) {
	content, err := os.ReadFile(name)
	if err != nil {
		return facts.Survey{}, fail(exitUsage, "take a survey on the host: lendkeep survey -o FILE", "read survey: %w", err)
	}
	survey, err := facts.Decode(content)
	if err != nil {
		return facts.Survey{}, fail(exitUsage, "take the survey again: lendkeep survey -o "+name, "%s: %w", name, err)
	}
	return survey, nil
}

// openLive gives this machine.
func (w *where) openLive(uri string) (host, error) {
	if uri == "" {
		uri = defaultURI
	}
	tree, err := sysfs.Open("/")
	if err != nil {
		return host{}, fail(exitUsage, "", "%w", err)
	}
	conn, err := libvirt.Open(uri)
	if err != nil {
		return host{}, fail(exitUsage, "see that libvirt runs and that you may use it: virsh -c "+uri+" list; or work on a survey: --survey FILE", "%w", err)
	}
	confirmed := person.File{Path: filepath.Join(keepFolder, "confirmed.json")}
	drives := drive.Drives{Root: "/", Folder: filepath.Join(keepFolder, "drives")}
	if w.progress != nil {
		drives.Watch = w.progress.watch
	}
	live := liveHost{tree: tree, conn: conn, firmware: firmware.OnHost(tree.FS(), firmwareCache(), w.donors...), images: append(w.images, w.sources...),
		contents: drive.Contents{Root: "/", ESPs: startableOn}, sources: w.sources, confirmed: confirmed}
	return host{step.Ports{
		Survey: live, Guests: conn, Mounts: drive.Mounts{}, Functions: tree, Rungs: tree,
		Stores: firmware.Stores{Root: "/", Keep: filepath.Join(keepFolder, "variables")},
		Guard:  hook.Files{Root: "/"}, Watch: systemd.Units{Root: "/"}, ROMs: firmware.Folder{Root: "/"}, Drives: drives, Person: confirmed,
	}, conn.Close}, nil
}

// liveHost reads the facts of this machine: libvirt first, since guests name
// paths that are then looked at.
type liveHost struct {
	tree      sysfs.Tree
	conn      *libvirt.Conn
	firmware  *firmware.Host
	images    []string // paths that the layout names
	contents  drive.Contents
	sources   []string // images that are looked into, besides every NVMe drive
	confirmed person.File
}

// Survey reads everything.
func (h liveHost) Survey(ctx context.Context) (facts.Survey, error) {
	survey, err := complete(ctx, h.tree, h.firmware, h.conn.Survey(ctx), h.images...)
	if err != nil {
		return survey, err
	}
	var drives []string
	for _, f := range survey.Functions {
		if f.NVMe == nil {
			continue
		}
		for _, n := range f.NVMe.Namespaces {
			drives = append(drives, n.Block)
		}
	}
	h.contents.Survey(ctx, &survey, drives, h.sources)
	if survey.Confirmed, err = h.confirmed.Read(); err != nil {
		// Nothing is confirmed then, which is safe.
		survey.Gaps = append(survey.Gaps, facts.Gap{Fact: "confirmations", Path: h.confirmed.Path, Reason: err.Error()})
	}
	return survey, nil
}

// startableOn reads what can be started from the EFI system partitions of
// a drive or image.
func startableOn(r io.ReaderAt, sizeBytes, sectorBytes uint64) ([]content.ESP, error) {
	list, err := firmware.ReadESPs(r, int64(sizeBytes), int(sectorBytes))
	if err != nil {
		return nil, err
	}
	var esps []content.ESP
	for _, e := range list {
		found := content.ESP{Number: e.Partition.Number, Gap: e.Gap}
		for _, l := range e.Loaders {
			found.Loaders = append(found.Loaders, l.Path)
		}
		esps = append(esps, found)
	}
	return esps, nil
}

// complete adds what the tree shows, and the firmware in it, to what libvirt
// says.
func complete(ctx context.Context, tree sysfs.Tree, images *firmware.Host, virtualization facts.Virtualization, also ...string) (facts.Survey, error) {
	survey, err := tree.Survey(ctx, append(named(virtualization), also...))
	survey.Libvirt = virtualization
	images.Survey(&survey)
	survey.Sort()
	return survey, err
}

// named lists the paths that libvirt mentions.
func named(v facts.Virtualization) []string {
	var list []string
	for i := range v.Guests {
		for _, d := range v.Guests[i].Definitions() {
			for _, disk := range d.Disks {
				if disk.Source != "" && (disk.Kind == "file" || disk.Kind == "block") {
					list = append(list, disk.Source)
				}
			}
		}
	}
	for _, p := range v.Pools {
		if p.Target != "" {
			list = append(list, p.Target)
		}
		list = append(list, p.Sources...)
	}
	return list
}

// surveyTree reads a captured tree, libvirt's answers included. Firmware is read
// past any recording of the tree: its images are large and would be kept whole.
func surveyTree(ctx context.Context, tree sysfs.Tree, images *firmware.Host) (facts.Survey, error) {
	// Without libvirt's answers nobody knows which guests use what.
	virtualization := facts.Virtualization{Gaps: []facts.Gap{{Fact: "guests", Path: "/libvirt", Reason: "the tree holds no answers of libvirt's"}}}
	if _, err := fs.Stat(tree.FS(), "libvirt"); err == nil {
		sub, err := fs.Sub(tree.FS(), "libvirt")
		if err != nil {
			return facts.Survey{}, err
		}
		virtualization = dump.FromFiles(sub)
	}
	survey, err := complete(ctx, tree, images, virtualization)
	if err != nil {
		return survey, err
	}
	survey.Contents, err = contentsIn(tree.FS())
	return survey, err
}

// contentsIn gives what a captured tree keeps of the drives and images that
// were read on the host: their bytes are not in it.
func contentsIn(root fs.FS) ([]facts.Content, error) {
	content, err := fs.ReadFile(root, "drives/contents.json")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read contents of drives: %w", err)
	}
	decoder := json.NewDecoder(bytes.NewReader(content))
	decoder.DisallowUnknownFields()
	var list []facts.Content
	if err := decoder.Decode(&list); err != nil {
		return nil, fmt.Errorf("read contents of drives: %w", err)
	}
	return list, nil
}

// openStandIn gives the host kept in a folder. Where libvirt is installed, its
// test driver judges every change of a guest.
func openStandIn(ctx context.Context, folder string) (host, error) {
	judge, closeJudge := openJudge(ctx)
	h, err := memory.Load(folder, judge)
	if err == nil && judge != nil {
		err = h.Introduce(ctx)
	}
	if err != nil {
		closeJudge()
		return host{}, fail(exitUsage, "make one: mkdir FOLDER && lendkeep survey -o FOLDER/"+memory.FirstFile, "%w", err)
	}
	return host{h.Ports(), closeJudge}, nil
}

// openJudge gives libvirt's test driver, or nil where there is no libvirt; the
// log says so.
func openJudge(ctx context.Context) (memory.Judge, func()) {
	judge, err := libvirt.OpenJudge()
	if err != nil {
		zerolog.Ctx(ctx).Warn().Err(err).Msg("no libvirt here: definitions are not judged by it")
		return nil, func() {}
	}
	return judge, judge.Close
}

// layoutOf loads a layout together with the facts it is held against. The
// host's connection is stated in the layout itself, so it is looked at twice:
// once for that, then with the facts it may compute with.
func layoutOf(ctx context.Context, dir string, w *where) (*spec.Layout, facts.Survey, spec.Diagnostics, error) {
	if w.survey == "" && w.standIn == "" {
		first, diagnostics := spec.Load(dir, spec.Given{Known: true, MemoryBytes: 1 << 40, CPUs: 1 << 10, HostName: "unknown"})
		if diagnostics.HasErrors() {
			return nil, facts.Survey{}, nil, diagnostics
		}
		if w.connect == "" {
			w.connect = first.Host.Libvirt
		}
		w.images, w.donors, w.sources = imagesOf(first), firmwareIn(first), sourcesOf(first)
	}
	survey, err := w.facts(ctx, "")
	if err != nil {
		return nil, facts.Survey{}, nil, err
	}
	given := spec.Given{Known: true, MemoryBytes: survey.Machine.MemoryBytes, CPUs: survey.Machine.CPUs, HostName: survey.Machine.Name}
	layout, diagnostics := spec.Load(dir, given)
	if diagnostics.HasErrors() {
		return nil, facts.Survey{}, nil, diagnostics
	}
	return layout, survey, diagnostics, nil
}

// imagesOf lists the images that a layout names, which libvirt may not know yet.
func imagesOf(layout *spec.Layout) []string {
	var list []string
	for _, g := range layout.Guests {
		for _, d := range g.Disks {
			if d.Image != "" {
				list = append(list, d.Image)
			}
		}
	}
	return list
}

// sourcesOf lists the images whose systems a layout moves.
func sourcesOf(layout *spec.Layout) []string {
	var list []string
	for _, c := range layout.Controllers {
		if c.Drive != nil && c.Drive.CopyOf != "" && !slices.Contains(list, c.Drive.CopyOf) {
			list = append(list, c.Drive.CopyOf)
		}
	}
	return list
}

// systemClock is the real time.
type systemClock struct{}

func (systemClock) Now() time.Time { return time.Now() }

func (systemClock) Wait(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func (systemClock) Limit(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d)
}

func writeFile(name string, content []byte) error {
	if err := os.WriteFile(name, content, 0o644); err != nil {
		return fail(exitUsage, "", "write %s: %w", name, err)
	}
	return nil
}

func shiftOf(layout *spec.Layout, name string) (*spec.Shift, error) {
	if name == "" {
		return nil, nil
	}
	if s := layout.Shift(name); s != nil {
		return s, nil
	}
	var names []string
	for _, s := range layout.Shifts {
		names = append(names, s.Name)
	}
	return nil, fail(exitUsage, fmt.Sprintf("name one of %q", names), "the layout has no shift %q", name)
}
