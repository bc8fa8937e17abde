package facts

import (
	"fmt"
	"slices"
	"strings"
)

// ErrFormat is of an image of which the format is not known. It is never
// guessed: what a guest writes to the beginning of a raw disk can pass for a
// header, and a header names other files of the host.
type ErrFormat struct {
	Image string
	Said  []SaidFormat // nobody, or several who do not agree
}

// SaidFormat is what somebody says of an image's format.
type SaidFormat struct {
	Format string // "raw", "qcow2"
	By     string // "guest grading", "the layout"
}

func (e ErrFormat) Error() string {
	if len(e.Said) == 0 {
		return "neither the layout nor a guest's definition says of which format it is, and its own bytes, which a guest may have written, do not count"
	}
	var all []string
	for _, s := range e.Said {
		all = append(all, s.By+" says "+s.Format)
	}
	return "its format is disputed: " + strings.Join(all, ", ")
}

// StatedImage is an image that shall be looked into, with the format that a
// layout or an order states; empty: it states none.
type StatedImage struct{ Path, Format string }

// FormatOf gives the format of an image: what the layout states of it, or
// nothing, and what every definition that has it says must agree.
func (ix *Index) FormatOf(image, stated string) (string, error) {
	said := ix.formats()[ix.Same(image)]
	if stated != "" {
		said = slices.Concat([]SaidFormat{{stated, "the layout"}}, said)
	}
	for _, s := range said {
		if s.Format != said[0].Format {
			return "", ErrFormat{image, said}
		}
	}
	if len(said) == 0 {
		return "", ErrFormat{Image: image}
	}
	return said[0].Format, nil
}

// saidFormats gives what definitions say of images, by what these are (Same).
func (ix *Index) saidFormats() map[string][]SaidFormat {
	all := map[string][]SaidFormat{}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			for _, disk := range d.Disks {
				source := ix.SourceOf(disk)
				if disk.Format == "" || source == "" {
					continue
				}
				same, said := ix.Same(source), SaidFormat{disk.Format, "guest " + g.Name}
				if !slices.Contains(all[same], said) {
					all[same] = append(all[same], said)
				}
			}
		}
	}
	return all
}

// Describe says what a file of a chain is, for people.
func (f ImageFile) Describe() string {
	return fmt.Sprintf("%s, %s, %s", f.Path, f.Format, Size(f.SizeBytes))
}
