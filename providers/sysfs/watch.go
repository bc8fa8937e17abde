package sysfs

import (
	"bytes"
	"errors"
	"io/fs"

	"lendkeep/reconcile/facts"
)

// readWatch reads what is installed of the service that watches lends. That
// systemd runs a host is told by a folder of its own (sd_booted(3)).
func (s *survey) readWatch() {
	w, guard := &s.out.Watch, len(s.out.Guard.Gaps)
	w.Unit, w.Mode = s.own("watch.unit", facts.WatchUnit, facts.UnitMode)
	if head, mode, ok := s.ownHead("watch.program", facts.WatchProgram, len(elf)); ok {
		w.Program = bytes.Equal(head, elf) && s.mayRun(mode)
	}
	w.Gaps = append(w.Gaps, s.out.Guard.Gaps[guard:]...) // own notes all gaps there
	s.out.Guard.Gaps = s.out.Guard.Gaps[:guard]
	if guard == 0 {
		s.out.Guard.Gaps = nil
	}
	if stat, err := s.fsys.Lstat("run/systemd/system"); err == nil {
		w.Systemd = stat.IsDir()
	}
	switch _, err := s.fsys.Lstat(facts.WatchLink[1:]); {
	case err == nil:
		w.Enabled = true
	case !errors.Is(err, fs.ErrNotExist):
		w.Gaps = append(w.Gaps, facts.Gap{Fact: "watch.enabled", Path: facts.WatchLink, Reason: cause(err).Error()})
	}
}
