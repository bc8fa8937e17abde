package sysfs

import (
	"errors"
	"io/fs"
	"path"
	"strings"

	"lendkeep/reconcile/facts"
)

// chain is what block devices are parts of and built on, as folders alone tell it:
// enough to find out which of them matter.
type chain struct {
	parts  map[string][]string // partitions by their drive
	whole  map[string]string   // the drive by its partition
	slaves map[string][]string // what a device is built on
	above  map[string][]string // the same from below
}

// chain looks only where a question leaves something out. A device that hangs on a
// PCI function is built on no other, and a loop device on none of these.
func (s *survey) chain(names []string) chain {
	c := chain{parts: map[string][]string{}, whole: map[string]string{}, slaves: map[string][]string{}, above: map[string][]string{}}
	if s.about == nil {
		return c
	}
	for _, name := range names {
		dir := s.blockDirs[name]
		if drive := s.wholeOf(dir); drive != "" {
			c.parts[drive], c.whole[name] = append(c.parts[drive], name), drive
			continue
		}
		if strings.HasPrefix(name, "loop") || facts.NearestFunction(dir) != nil {
			continue
		}
		slaves, err := s.list(dir + "/slaves")
		if err != nil {
			continue // the holders of what matters tell too, and are a gap if they do not
		}
		c.slaves[name] = slaves
		for _, lower := range slaves {
			c.above[lower] = append(c.above[lower], name)
		}
	}
	return c
}

// firstBlocks gives the block devices that matter by themselves: those of the
// functions that do, what is named, and every loop device that is attached, since
// only its file tells on what that lies. It is all of them where nothing else tells
// which device a name means.
func (s *survey) firstBlocks(names []string) []string {
	if s.about == nil {
		return names
	}
	var list []string
	for _, name := range names {
		at := facts.NearestFunction(s.blockDirs[name])
		if at != nil && s.functions[*at] != nil && s.functions[*at].asked || s.attached(name) {
			list = append(list, usable(name))
		}
	}
	for _, p := range s.about.Paths {
		name, sure := s.deviceAt(p)
		if !sure {
			return names
		}
		list = append(list, usable(name))
	}
	for _, m := range s.mounted {
		for _, source := range sources(m) {
			if link, device := strings.CutPrefix(source, "/dev/"); device && s.blockDirs[link] == "" {
				return names
			}
		}
	}
	return list
}

// attached tells whether a loop device has a file, or may have one: the kernel shows
// where only while it has (Linux drivers/block/loop.c, loop_sysfs_init).
func (s *survey) attached(name string) bool {
	if !strings.HasPrefix(name, "loop") {
		return false
	}
	_, err := s.fsys.Lstat(s.blockDirs[name] + "/loop/backing_file")
	return !errors.Is(err, fs.ErrNotExist)
}

// deviceAt gives the block device to which a path leads; empty where it leads to
// none. It is not sure where a path below /dev leads nowhere, or to a device by a
// name that is not the kernel's.
func (s *survey) deviceAt(p facts.Path) (name string, sure bool) {
	if link, device := strings.CutPrefix(p.Resolved, "/dev/"); device && s.blockDirs[link] != "" {
		return link, true
	}
	if !strings.HasPrefix(path.Clean(p.Named)+"/", "/dev/") && !strings.HasPrefix(p.Resolved, "/dev/") {
		return "", true
	}
	stat, err := s.fsys.Lstat(strings.TrimPrefix(p.Resolved, "/"))
	return "", err == nil && stat.Mode().Type() != fs.ModeDevice
}

// goesOn gives what matters with a block device that does: what it is part of, what
// is part of it, and what is built on it.
func (s *survey) goesOn(c chain, name string) []string {
	if s.about == nil {
		return nil
	}
	list := append(c.parts[name], c.above[name]...)
	if whole := c.whole[name]; whole != "" {
		list = append(list, whole)
	}
	if i, there := s.blocks[name]; there {
		list = append(list, s.out.Blocks[i].Holders...)
	}
	return list
}

// passOverBlocks notes every block device that does not matter, of which nothing else
// is known.
func (s *survey) passOverBlocks(names []string, looked map[string]bool) {
	for _, name := range names {
		dir, there := s.blockDirs[name]
		if _, read := s.blocks[name]; !there || read || looked[name] || usable(name) != name {
			continue
		}
		b := facts.Block{Name: name, Controller: facts.NearestFunction(dir), Whole: s.wholeOf(dir)}
		p := place{&s.reader, dir, &b.Gaps}
		p.gap(facts.GapAll, "", errNotAsked)
		s.blocks[name] = len(s.out.Blocks)
		s.out.Blocks = append(s.out.Blocks, b)
	}
}
