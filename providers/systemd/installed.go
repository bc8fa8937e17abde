package systemd

import (
	"errors"
	"io/fs"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Installed reads what is installed of the service that watches lends. That
// systemd runs a host is told by a folder of its own (sd_booted(3)).
func Installed(root files.Root) facts.InstalledWatch {
	var w facts.InstalledWatch
	gap := func(fact, name string, err error) {
		if err != nil {
			w.Gaps = append(w.Gaps, facts.Gap{Fact: fact, Path: name, Reason: files.Cause(err).Error()})
		}
	}
	unit, mode, err := root.Text(facts.WatchUnit, facts.UnitMode)
	gap("watch.unit", facts.WatchUnit, err)
	w.Unit, w.Mode = unit, facts.ModeOf(mode, facts.UnitMode)
	if w.Program, err = root.Program(facts.WatchProgram); !errors.Is(err, files.ErrNoProgram) {
		gap("watch.program", facts.WatchProgram, err)
	}
	if stat, err := root.FS.Lstat("run/systemd/system"); err == nil {
		w.Systemd = stat.IsDir()
	}
	_, err = root.FS.Lstat(facts.WatchLink[1:])
	if w.Enabled = err == nil; !errors.Is(err, fs.ErrNotExist) {
		gap("watch.enabled", facts.WatchLink, err)
	}
	return w
}
