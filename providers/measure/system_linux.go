package measure

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// system is what the kernel tells of this machine, below a root directory.
type system struct {
	root string
	gaps []facts.Gap
}

// text reads a file of one line. One that is not there is none; one that cannot be
// read is a gap.
func (s *system) text(fact string, path ...string) string {
	name := filepath.Join(path...)
	content, err := os.ReadFile(name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, unix.ENODEV) {
		s.gap(fact, name, err.Error())
	}
	return strings.TrimSpace(string(content))
}

func (s *system) number(fact string, path ...string) int64 {
	text := s.text(fact, path...)
	if text == "" {
		return 0
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		s.gap(fact, filepath.Join(path...), "it is no number")
	}
	return n
}

func (s *system) gap(fact, path, reason string) {
	path = "/" + strings.TrimLeft(strings.TrimPrefix(path, s.root), "/")
	s.gaps = append(s.gaps, gap(fact, path, reason))
}

// place tells what system this is.
func (s *system) place() speed.Place {
	var p speed.Place
	for line := range strings.Lines(s.text("system's name", s.root, "etc/os-release")) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "PRETTY_NAME="); ok { // os-release(5)
			p.Name = speed.Text(strings.Trim(name, `"'`))
		}
	}
	p.Release = speed.Text(s.text("kernel's release", s.root, "proc/sys/kernel/osrelease"))
	for line := range strings.Lines(s.text("memory", s.root, "proc/meminfo")) {
		if fields := strings.Fields(line); len(fields) == 3 && fields[0] == "MemTotal:" { // in KiB, proc(5)
			kib, _ := strconv.ParseInt(fields[1], 10, 64)
			p.MemoryBytes = kib << 10
		}
	}
	return p
}

// power gives the governors of the processors, each once.
func (s *system) power() string {
	found, _ := filepath.Glob(filepath.Join(s.root, "sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_governor"))
	var list []string
	for _, path := range found {
		list = append(list, s.text("governor", path))
	}
	slices.Sort(list)
	return speed.Text(strings.Join(slices.Compact(list), ", "))
}

// ticks is how long the processors were busy, what the host took of their time, and
// all of it, in whatever unit the kernel counts.
type ticks struct{ busy, stolen, all int64 }

// ticks reads the first line of /proc/stat (proc(5)): user, nice, system, idle,
// iowait, irq, softirq and steal; what follows is counted among them already.
func (s *system) ticks() ticks {
	line, _, _ := strings.Cut(s.text("processor load", s.root, "proc/stat"), "\n")
	fields := strings.Fields(line)
	var t ticks
	for i, field := range fields[min(len(fields), 1):min(len(fields), 9)] {
		n, _ := strconv.ParseInt(field, 10, 64)
		t.all += n
		switch i {
		case 3, 4: // idle, waiting for drives
		case 7:
			t.stolen += n
		default:
			t.busy += n
		}
	}
	return t
}
