package sysfs

import (
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// usb looks at a USB device with all its interfaces: it is told once. What has no
// driver, and hubs, are nothing by themselves; what is plugged into a hub has a
// directory in the hub's (Linux Documentation/ABI/testing/sysfs-bus-usb, and
// Documentation/driver-api/usb/usb.rst).
func (w *belowWalk) usb(p place, name string) error {
	a := facts.Attached{Name: name, Class: "usb"}
	var drivers, sorts []string
	note := func(list *[]string, word string) {
		if word != "" && !slices.Contains(*list, word) {
			*list = append(*list, word)
		}
	}
	if driver := p.link(facts.GapBelow, "driver"); !facts.Carrier("usb", driver) {
		note(&drivers, driver)
	}
	entries, err := fs.ReadDir(p.fsys, p.dir)
	if err != nil {
		p.gap(facts.GapBelow, "", err)
	}
	var inner, plugged []string
	for _, entry := range entries {
		if !entry.IsDir() || slices.Contains(plainDirs, entry.Name()) {
			continue
		}
		at := place{p.reader, path.Join(p.dir, entry.Name()), p.gaps}
		if usbBelow(entry.Name(), name) {
			plugged = append(plugged, at.dir)
			continue
		}
		if driver := at.link(facts.GapBelow, "driver"); strings.HasPrefix(entry.Name(), name+":") && driver != "" && !facts.Carrier("usb", driver) {
			note(&drivers, driver)
			note(&sorts, usbSort(at))
			continue // what is below is used by that driver's leave
		}
		inner = append(inner, at.dir)
	}
	if len(drivers) > 0 {
		a.Driver, a.Sort, a.Product = strings.Join(drivers, ", "), strings.Join(sorts, ", "), product(p)
		w.list = append(w.list, a)
	}
	return w.each(inner, plugged)
}

// each goes on with interfaces of a USB device, and with what is plugged into it.
func (w *belowWalk) each(inner, plugged []string) error {
	for _, dir := range inner {
		if err := w.into(dir); err != nil {
			return err
		}
	}
	for _, dir := range plugged {
		if err := w.usb(place{w.reader, dir, w.gaps}, path.Base(dir)); err != nil {
			return err
		}
	}
	return nil
}

// usbBelow tells whether a directory in that of a device is that of another one,
// which is plugged into it: "1-2" in "usb1", "1-2.4" in "1-2".
func usbBelow(name, in string) bool {
	if bus, root := strings.CutPrefix(in, "usb"); root {
		in = bus + "-"
	} else {
		in += "."
	}
	port, below := strings.CutPrefix(name, in)
	return below && port != "" && strings.Trim(port, "0123456789") == ""
}

// usbSort says what an interface is for. Its codes only tell it better.
func usbSort(p place) string {
	code := func(name string) string {
		text, _ := p.line(name)
		return text
	}
	return facts.USBSort(code("bInterfaceClass"), code("bInterfaceSubClass"), code("bInterfaceProtocol"))
}

// product gives what a device says of itself: any text, of whoever made it.
func product(p place) string {
	var words []string
	for _, name := range []string{"manufacturer", "product"} {
		if text, err := p.line(name); err == nil && text != "" {
			words = append(words, text)
		}
	}
	if len(words) == 0 {
		vendor, _ := p.line("idVendor")
		kind, _ := p.line("idProduct")
		return plain.Cut(strings.Trim(vendor+":"+kind, ":"), facts.MaxProduct)
	}
	return plain.Cut(strings.Join(words, " "), facts.MaxProduct)
}
