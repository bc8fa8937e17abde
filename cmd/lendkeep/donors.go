package main

import (
	"path"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// firmwareIn lists the firmware images that a layout names: donors of shims and
// what guests are to start with. libvirt may not know them yet.
func firmwareIn(layout *spec.Layout) []string {
	var list []string
	for _, s := range layout.Shims {
		list = append(list, s.Donor)
	}
	for _, g := range layout.Guests {
		if path.IsAbs(g.Firmware) {
			list = append(list, g.Firmware)
		}
	}
	return list
}

// donorsIn lists the firmware images that an order builds from. They are read
// again before it is carried out, whatever has become of the layout.
func donorsIn(o order.Order) []string {
	var list []string
	for _, w := range o.Steps {
		for _, needed := range w.Step.About().Needs {
			if needed.Of.Kind == "firmware" {
				list = append(list, needed.Of.Name)
			}
		}
	}
	return list
}

// sourcesIn lists the images that an order copies systems from.
func sourcesIn(o order.Order) []facts.StatedImage {
	var list []facts.StatedImage
	for _, w := range o.Steps {
		if s, ok := w.Step.(*step.CopySystem); ok {
			list = append(list, facts.StatedImage{Path: s.Source.Path, Format: s.Source.Format})
		}
	}
	return list
}
