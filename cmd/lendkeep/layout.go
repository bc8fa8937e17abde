package main

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// anyHost is what a layout computes with where only what does not depend on its host
// is looked at.
var anyHost = spec.Given{Known: true, MemoryBytes: 1 << 40, CPUs: 1 << 10, HostName: "unknown"}

// layoutOf loads a layout together with the facts it is held against. The
// host's connection is stated in the layout itself, so it is looked at twice:
// once for that, then with the facts it may compute with.
func layoutOf(ctx context.Context, dir string, w *where) (*spec.Layout, facts.Survey, spec.Diagnostics, error) {
	if w.survey == "" && w.standIn == "" {
		if diagnostics := w.lookFor(dir); diagnostics.HasErrors() {
			return nil, facts.Survey{}, nil, diagnostics
		}
	}
	survey, err := w.facts(ctx, "")
	if err != nil {
		return nil, facts.Survey{}, nil, err
	}
	layout, diagnostics := loadFor(dir, survey.Machine)
	if diagnostics.HasErrors() {
		return nil, facts.Survey{}, nil, diagnostics
	}
	return layout, survey, diagnostics, nil
}

// lookFor has a host looked at for a layout: over the connection that it states, and at
// the images and firmware that it names.
func (w *where) lookFor(dir string) spec.Diagnostics {
	first, diagnostics := spec.Load(dir, anyHost)
	if diagnostics.HasErrors() {
		return diagnostics
	}
	if w.connect == "" {
		w.connect = first.Host.Libvirt
	}
	w.images, w.donors, w.sources, w.made = imagesOf(first), firmwareIn(first), sourcesOf(first), madeOf(first)
	return nil
}

// loadFor loads a layout with the facts that it may compute with.
func loadFor(dir string, m facts.Machine) (*spec.Layout, spec.Diagnostics) {
	return spec.Load(dir, spec.Given{Known: true, MemoryBytes: m.MemoryBytes, CPUs: m.CPUs, HostName: m.Name})
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

// madeOf lists the images that a layout has made of drives.
func madeOf(layout *spec.Layout) []string {
	var list []string
	for _, g := range layout.Guests {
		for _, d := range g.Disks {
			if d.CopyFrom != nil {
				list = append(list, d.Image)
			}
		}
	}
	return list
}

// sourcesOf lists the images whose systems a layout moves.
func sourcesOf(layout *spec.Layout) []facts.StatedImage {
	var list []facts.StatedImage
	for _, c := range layout.Controllers {
		if c.Drive == nil || c.Drive.CopyOf == "" {
			continue
		}
		image := facts.StatedImage{Path: c.Drive.CopyOf, Format: c.Drive.CopyFormat}
		at := slices.IndexFunc(list, func(other facts.StatedImage) bool { return other.Path == image.Path })
		switch {
		case at < 0:
			list = append(list, image)
		case list[at].Format == "":
			list[at] = image // another controller's drive block states it
		}
	}
	return list
}

func shiftOf(layout *spec.Layout, name string) (*spec.Shift, error) {
	if name == "" {
		return nil, nil
	}
	if s := layout.Shift(name); s != nil {
		return s, nil
	}
	names := spec.Names(layout.Shifts)
	next := "name one of " + plain.Names(names)
	if len(names) == 0 {
		next = "leave --shift out, or state one in the layout: lendkeep check --explain shift"
	}
	if near := spec.Nearest(name, names); near != "" {
		next = fmt.Sprintf("did you mean --shift %s? else %s", plain.Quoted(near), next)
	}
	return nil, fail(exitUsage, next, "the layout has no shift %q", name)
}
