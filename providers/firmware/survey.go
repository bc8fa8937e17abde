package firmware

import (
	"cmp"
	"io/fs"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// Host reads what firmware a host has. It remembers its answers as long as the
// file stays as it is, since an order looks at its host many times.
type Host struct {
	root  fs.FS
	cache string
	also  []string

	mu     sync.Mutex
	images map[string]seen
	disks  map[string]seenShim
}

// seen is an answer about a file as it was then.
type seen struct {
	bytes   int64
	changed time.Time
	answer  facts.Firmware
}

// OnHost gives the firmware below a root directory. Answers on images are kept
// in cacheDir; empty means nowhere. Images at the paths in also are looked at
// whoever names them.
func OnHost(root fs.FS, cacheDir string, also ...string) *Host {
	return &Host{root: root, cache: cacheDir, also: also, images: map[string]seen{}, disks: map[string]seenShim{}}
}

// Survey adds to a survey every firmware image and variable store that its
// guests or QEMU's descriptors name. Whatever cannot be read is there, unknown.
func (h *Host) Survey(s *facts.Survey) {
	images, stores := slices.Clone(h.also), []string(nil)
	list, err := Descriptors(h.root)
	for _, d := range list {
		if err == nil { // else the one that libvirt chooses may be missing here
			s.Descriptors = append(s.Descriptors, d.fact())
		}
		if d.UEFI() {
			images, stores = append(images, d.Image()), append(stores, d.Mapping.NVRAMTemplate.Filename)
		}
	}
	for i := range s.Libvirt.Guests {
		for _, d := range s.Libvirt.Guests[i].Definitions() {
			if d.Boot.Firmware != "bios" {
				images, stores = append(images, d.Boot.Loader), append(stores, d.Boot.NVRAM, d.Boot.Template)
			}
		}
	}
	for _, name := range once(images) {
		s.Firmware = append(s.Firmware, h.image(name))
	}
	for _, name := range once(stores) {
		s.Stores = append(s.Stores, h.store(name))
	}
	h.roms(s)
	h.shims(s)
}

// roms lists lendkeep's own files in the folder for option ROMs.
func (h *Host) roms(s *facts.Survey) {
	entries, err := fs.ReadDir(h.root, strings.TrimPrefix(facts.ROMFolder, "/"))
	if err != nil {
		s.ROMGap = files.Cause(err).Error()
	}
	for _, entry := range entries {
		named := path.Join(facts.ROMFolder, entry.Name())
		if facts.IsROM(named) {
			s.ROMs = append(s.ROMs, h.rom(named))
		}
	}
}

func (h *Host) rom(named string) facts.PlacedROM {
	content, err := readImageFile(h.root, named)
	if err == nil {
		var rom ROM
		if rom, err = ReadROM(content); err == nil {
			return facts.PlacedROM{ROM: facts.ROM{Path: named, Driver: romSum(content), Vendor: pci.ID(rom.Vendor), Device: pci.ID(rom.Device)}}
		}
	}
	return facts.PlacedROM{ROM: facts.ROM{Path: named}, Why: files.Cause(err).Error()}
}

// once gives each name that is one, sorted.
func once(names []string) []string {
	slices.Sort(names)
	return slices.DeleteFunc(slices.Compact(names), func(name string) bool { return name == "" })
}

func (d Descriptor) fact() facts.Descriptor {
	f := facts.Descriptor{File: path.Join("/", d.File), Image: d.Image(), Template: d.Mapping.NVRAMTemplate.Filename, UEFI: d.UEFI(), Features: d.Features}
	for _, t := range d.Targets {
		f.Targets = append(f.Targets, facts.MachineTarget{Architecture: t.Architecture, Machines: t.Machines})
	}
	return f
}

func (h *Host) image(name string) facts.Firmware {
	about, err := fs.Stat(h.root, strings.TrimPrefix(name, "/"))
	if err != nil {
		return facts.Firmware{Path: name, NVMe: facts.Unknown, Shell: facts.Unknown, Why: files.Cause(err).Error()}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if s, known := h.images[name]; known && s.bytes == about.Size() && s.changed.Equal(about.ModTime()) {
		return s.answer
	}
	answer := facts.Firmware{Path: name, NVMe: facts.Unknown, Shell: facts.Unknown}
	report, err := Inspect(h.root, name, h.cache)
	if err != nil {
		answer.Why = files.Cause(err).Error()
		return answer
	}
	nvme, shell := report.Of(NVMe), report.Of(Shell)
	answer.SHA256, answer.NVMe, answer.Shell, answer.Driver = report.SHA256, held(nvme.Held), held(shell.Held), report.ROM
	answer.ShellSum, answer.Virtio = report.Shell, held(report.Of(VirtioBlock).Held)
	answer.Why = cmp.Or(nvme.Why, shell.Why)
	h.images[name] = seen{about.Size(), about.ModTime(), answer}
	return answer
}

func held(p Presence) facts.Held { return facts.Held(p.String()) }
