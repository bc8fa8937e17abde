package firmware

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/strict"
)

// Where descriptors are, most important last: a file of the same name there
// replaces the earlier one, and an empty file hides it. QEMU's
// docs/interop/firmware.json; the third place it names is one user's own.
var descriptorFolders = []string{"usr/share/qemu/firmware", "etc/qemu/firmware"}

const descriptorMost = 1 << 20 // bytes of one descriptor

// FlashFile is an image file of a descriptor.
type FlashFile struct {
	Filename string `json:"filename"`
	Format   string `json:"format"` // "raw" or "qcow2"
}

// Mapping says how an image gets into a guest.
type Mapping struct {
	Device        string    `json:"device"`         // "flash", "memory" or "kernel"
	Mode          string    `json:"mode"`           // of flash: "split", "combined" or "stateless"; empty: split
	Executable    FlashFile `json:"executable"`     // of flash
	NVRAMTemplate FlashFile `json:"nvram-template"` // of flash, split
	Filename      string    `json:"filename"`       // of memory and kernel
}

// Target is a kind of machine that an image is made for.
type Target struct {
	Architecture string   `json:"architecture"` // as in QEMU's program names
	Machines     []string `json:"machines"`     // patterns, such as pc-q35-*
}

// Descriptor is one of the descriptions by which distributions list their
// firmware images.
type Descriptor struct {
	File        string   `json:"-"` // path below the root it was read from
	Description string   `json:"description"`
	Interfaces  []string `json:"interface-types"` // "uefi", "bios", …
	Mapping     Mapping  `json:"mapping"`
	Targets     []Target `json:"targets"`
	Features    []string `json:"features"` // "secure-boot", "enrolled-keys", "requires-smm", …
}

// Descriptors reads the descriptors below a root directory, in the order of
// their file names, which is their order of preference. On an error those that
// could be read come with it.
func Descriptors(root fs.FS) ([]Descriptor, error) {
	places := map[string]string{} // path by file name
	var problems []error
	for _, folder := range descriptorFolders {
		entries, err := fs.ReadDir(root, folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			problems = append(problems, fmt.Errorf("read firmware descriptors: %w", err))
		}
		for _, entry := range entries {
			if strings.HasSuffix(entry.Name(), ".json") {
				places[entry.Name()] = path.Join(folder, entry.Name())
			}
		}
	}
	names := make([]string, 0, len(places))
	for name := range places {
		names = append(names, name)
	}
	slices.Sort(names)
	var list []Descriptor
	for _, name := range names {
		d, hidden, err := readDescriptor(root, places[name])
		if err != nil {
			problems = append(problems, fmt.Errorf("read firmware descriptor: %w", err))
		} else if !hidden {
			list = append(list, d)
		}
	}
	return list, errors.Join(problems...)
}

// readDescriptor reads one file; an empty one hides those it replaces.
func readDescriptor(root fs.FS, name string) (d Descriptor, hidden bool, err error) {
	about, err := fs.Stat(root, name)
	if err != nil {
		return d, false, err
	}
	if about.Size() > descriptorMost {
		return d, false, fmt.Errorf("%s: %d bytes", name, about.Size())
	}
	content, err := fs.ReadFile(root, name)
	if err != nil {
		return d, false, err
	}
	if len(content) == 0 {
		return d, true, nil
	}
	// Unknown members are allowed: the format grows.
	if err := strict.ReadSome(content, descriptorMost, &d); err != nil {
		return d, false, fmt.Errorf("%s: %w", name, err)
	}
	d.File = name
	return d, false, nil
}

// Image gives the path of the file with the firmware's code; empty when the
// descriptor names none.
func (d Descriptor) Image() string {
	if d.Mapping.Device == "flash" {
		return d.Mapping.Executable.Filename
	}
	return d.Mapping.Filename
}

// Has reports whether the descriptor lists a feature.
func (d Descriptor) Has(feature string) bool { return slices.Contains(d.Features, feature) }

// UEFI reports whether the image is UEFI firmware.
func (d Descriptor) UEFI() bool { return slices.Contains(d.Interfaces, "uefi") }

// Fits reports whether the image is made for a machine type, such as
// pc-q35-7.2, of an architecture, such as x86_64.
func (d Descriptor) Fits(architecture, machine string) bool {
	for _, target := range d.Targets {
		if target.Architecture != architecture {
			continue
		}
		for _, pattern := range target.Machines {
			if ok, err := path.Match(pattern, machine); err == nil && ok {
				return true
			}
		}
	}
	return false
}
