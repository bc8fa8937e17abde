package sysfs

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// maxBelow is how many directories are looked into below one function: a storage
// controller with two hundred disks has some thousands (common practice).
const maxBelow = 50_000

// readBelow finds, below every function that matters and that a driver of the host's
// has, whatever may be in use besides block devices and network interfaces.
func (s *survey) readBelow(ctx context.Context) {
	for at, found := range s.functions {
		f := s.function(at)
		if !found.asked || f.HeaderType != 0 || f.OnVFIO() || ctx.Err() != nil {
			continue
		}
		w := belowWalk{place: place{&s.reader, found.dir, &f.Gaps}, console: s.consoles, remotes: s.remotes, left: maxBelow}
		w.boot(s, f)
		w.network(f)
		if err := w.into(found.dir); err != nil {
			w.gap(facts.GapBelow, "", err)
		}
		slices.SortFunc(w.list, func(a, b facts.Attached) int {
			return cmp.Or(cmp.Compare(a.Class, b.Class), cmp.Compare(a.Name, b.Name))
		})
		slices.Sort(w.shows)
		f.Attached, f.Shows = w.list, slices.Compact(w.shows)
	}
}

// belowWalk goes down the directories of devices.
type belowWalk struct {
	place
	console func() *console
	remotes func() ([]remote, []facts.Gap)
	left    int // directories that it may still look into
	list    []facts.Attached
	shows   []string // facts.Function.Shows, several times perhaps
	buses   int      // how many devices of buses it is below: what they have may come and go
}

var errWide = fmt.Errorf("there is more below it than %d directories", maxBelow)

// plainDirs are directories of a device that no other device is in (Linux
// Documentation/ABI/testing/sysfs-devices, sysfs-block), and the folders of those
// that are listed with all that uses them: block devices, NVMe controllers with
// their namespaces, network interfaces.
var plainDirs = []string{"power", "msi_irqs", "queue", "mq", "integrity", "trace", "holders", "slaves", "link", "block", "nvme", "net"}

// into looks at everything in a directory.
func (w *belowWalk) into(dir string) error {
	if w.left--; w.left < 0 {
		return errWide
	}
	entries, err := fs.ReadDir(w.fsys, dir)
	if errors.Is(err, fs.ErrNotExist) { // gone meanwhile
		return nil
	}
	if err != nil {
		w.gap(facts.GapBelow, strings.TrimPrefix(dir, w.dir), err)
		return nil
	}
	for _, entry := range entries {
		name := entry.Name()
		if name == "net" && entry.IsDir() {
			w.elsewhere(path.Join(dir, name))
		}
		if !entry.IsDir() || slices.Contains(plainDirs, name) {
			continue
		}
		if _, err := facts.ParseAddress(name); err == nil {
			continue // another function
		}
		if err := w.device(path.Join(dir, name)); err != nil {
			return err
		}
	}
	return nil
}

// device looks at one, and at what is below it.
func (w *belowWalk) device(dir string) error {
	to, err := w.fsys.ReadLink(dir + "/subsystem")
	if errors.Is(err, fs.ErrNotExist) {
		return w.into(dir) // a folder of devices of one class
	}
	if err != nil {
		w.gap(facts.GapBelow, strings.TrimPrefix(dir, w.dir)+"/subsystem", err)
		return nil
	}
	name, class := path.Base(dir), path.Base(to)
	p, bus := place{w.reader, dir, w.gaps}, path.Base(path.Dir(to)) == "bus"
	if w.buses == 0 && facts.Tells(class) {
		w.shows = append(w.shows, class)
	}
	if bus {
		w.buses++
		defer func() { w.buses-- }()
	}
	switch {
	case class == "usb":
		return w.usb(p, name)
	case bus:
		driver := p.link(facts.GapBelow, "driver")
		if driver == "" && facts.ByDriver(class) || facts.Carrier(class, driver) {
			break
		}
		w.list = append(w.list, facts.Attached{Name: name, Class: class, Driver: driver})
		return nil // what is below is used by that driver's leave
	case class == "fc_host":
		w.fibre(p)
	case class == "scsi_host":
		w.target(p)
	case !facts.IdleClass(class):
		w.list = append(w.list, facts.Attached{Name: name, Class: class})
	case class == "graphics" || class == "tty" || class == "drm":
		if shows := w.console().shows(p, class); shows != "" {
			w.list = append(w.list, facts.Attached{Name: name, Class: class, Shows: shows})
		}
	}
	return w.into(dir)
}
