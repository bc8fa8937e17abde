package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// modprobeDirs are searched in this sequence; a file hides one of the same name
// in a later directory (modprobe.d(5)).
var modprobeDirs = []string{"etc/modprobe.d", "run/modprobe.d", "usr/local/lib/modprobe.d", "usr/lib/modprobe.d", "lib/modprobe.d"}

// readClaims reads which vendor and device numbers vfio-pci is told to take at
// boot: such a claim takes every function of that kind, twins included.
func (s *survey) readClaims(context.Context) {
	seen := map[string]bool{}
	for _, dir := range modprobeDirs {
		real, err := files.Resolve(s.fsys, dir)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		area := s.whole(real)
		names, err := s.list(real)
		if err != nil {
			area.gap("vfio_claims", "", err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, ".conf") && !seen[name] {
				seen[name] = true
				s.readModprobe(area, real, name)
			}
		}
	}
	s.readCommandLine(s.whole("proc"))
}

// readCommandLine takes claims from the kernel's command line, which was read
// with the machine's other facts.
func (s *survey) readCommandLine(proc place) {
	if slices.ContainsFunc(s.out.Gaps, func(g facts.Gap) bool { return g.Fact == "machine.command_line" }) {
		proc.gap("vfio_claims", "cmdline", errors.New("the kernel's command line is not known"))
	}
	for word := range strings.FieldsSeq(s.out.Machine.CommandLine) {
		name, value, found := strings.Cut(strings.Trim(word, `"`), "=")
		// The kernel takes - and _ in names of modules for the same.
		if found && strings.ReplaceAll(name, "_", "-") == "vfio-pci.ids" {
			s.addClaims(proc, "cmdline", value, "kernel command line")
		}
		if module, parameter, found := strings.Cut(strings.Trim(word, `"`), "."); found {
			s.set(module, parameter, "/proc/cmdline")
		}
	}
}

// readModprobe reads one file: words separated by white space, a line going on
// after a backslash at its end.
func (s *survey) readModprobe(area place, dir, name string) {
	real, err := files.Resolve(s.fsys, dir+"/"+name)
	if err != nil {
		area.gap("vfio_claims", name, err)
		return
	}
	content, err := s.read(real)
	if err != nil {
		area.gap("vfio_claims", name, err)
		return
	}
	for line := range strings.Lines(strings.ReplaceAll(string(content), "\\\n", " ")) {
		words := strings.Fields(line)
		if len(words) < 3 || words[0] != "options" {
			continue
		}
		for _, word := range words[2:] {
			s.set(words[1], word, "/"+path.Join(dir, name))
			if value, found := strings.CutPrefix(word, "ids="); found && strings.ReplaceAll(words[1], "_", "-") == "vfio-pci" {
				s.addClaims(area, name, strings.Trim(value, `"`), "/"+path.Join(dir, name))
			}
		}
	}
}

// addClaims reads "vendor:device[:...],...", each in hexadecimal
// (Linux drivers/vfio/pci/vfio_pci.c, parameter ids).
func (s *survey) addClaims(area place, name, value, from string) {
	for id := range strings.SplitSeq(value, ",") {
		if id == "" {
			continue
		}
		parts := append(strings.Split(id, ":"), "")
		vendor, err1 := strconv.ParseUint(parts[0], 16, 16)
		device, err2 := strconv.ParseUint(parts[1], 16, 16)
		if err1 != nil || err2 != nil {
			area.gap("vfio_claims", name, fmt.Errorf("not a vendor and device number: %q", id))
			continue
		}
		s.out.Claims = append(s.out.Claims, facts.Claim{Vendor: pci.ID(vendor), Device: pci.ID(device), From: from})
	}
}
