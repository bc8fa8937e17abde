package holding

import (
	"errors"
	"fmt"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// characterDir has a link for each character device, by its number
// (Documentation/ABI/testing/sysfs-dev). Tests have another.
var characterDir = "/sys/dev/char"

// below is a character device below a function.
type below struct {
	function    facts.Address
	node        node
	name, class string
}

// listened is the class of keyboards, mice and power buttons: what has one open
// (every login manager has) listens, and loses nothing by its going.
const listened = "input"

// characters finds every character device below functions: of whatever other
// class, whoever has one open uses the function.
func characters(s *facts.Survey, of map[facts.Address]bool) ([]below, error) {
	entries, err := os.ReadDir(characterDir)
	if err != nil {
		return nil, fmt.Errorf("list character devices: %w", err)
	}
	var list []below
	shown := map[uint32]bool{}
	for _, e := range entries {
		major, _, _ := strings.Cut(e.Name(), ":")
		if number, err := strconv.ParseUint(major, 10, 32); err == nil {
			shown[uint32(number)] = true
		}
		dir, err := target(characterDir, e.Name())
		if vanished(err) {
			continue
		}
		if err != nil {
			return list, fmt.Errorf("find character device %s: %w", e.Name(), err)
		}
		for _, at := range functionsOf(s, dir) {
			if !in(of, at) {
				continue
			}
			number, err := facts.ParseDevno(e.Name())
			if err != nil {
				return list, fmt.Errorf("find character device %s: %w", e.Name(), err)
			}
			class, _ := os.Readlink(path.Join(dir, "subsystem"))
			if path.Base(class) == listened {
				continue
			}
			list = append(list, below{at, node{kind: character, at: number}, path.Base(dir), path.Base(class)})
		}
	}
	more, err := unshown(s, of, shown)
	return append(list, more...), err
}

// nodesBelow finds everything by which a process may have functions but block devices:
// character devices, the functions themselves, their IOMMU groups.
func nodesBelow(s *facts.Survey, of map[facts.Address]bool) ([]below, error) {
	chars, errChars := characters(s, of)
	themselves, errThemselves := attributes(of)
	ofGroups, errGroups := groups(s, of)
	return slices.Concat(chars, themselves, ofGroups), errors.Join(errChars, errThemselves, errGroups)
}

// attributes finds the files by which a process has a function past its driver: its
// registers, its config space, its ROM (Linux Documentation/PCI/sysfs-pci.rst).
func attributes(of map[facts.Address]bool) ([]below, error) {
	var list []below
	for at := range of {
		dir := path.Join(functionLinks, at.String())
		entries, err := os.ReadDir(dir)
		if vanished(err) {
			continue
		}
		if err != nil {
			return list, fmt.Errorf("list what %s is used by: %w", at, err)
		}
		for _, e := range entries {
			name := e.Name()
			if name != "config" && name != "rom" && (!strings.HasPrefix(name, "resource") || name == "resource") {
				continue
			}
			var stat unix.Stat_t
			switch err := unix.Stat(path.Join(dir, name), &stat); {
			case vanished(err):
			case err != nil:
				return list, fmt.Errorf("look at %s of %s: %w", name, at, err)
			default:
				list = append(list, below{at, node{kind: attribute, file: stat.Ino}, name, "pci"})
			}
		}
	}
	return list, nil
}

// target gives where a link of the kernel's own leads.
func target(dir, name string) (string, error) {
	to, err := os.Readlink(path.Join(dir, name))
	return path.Join(dir, to), err
}

// functionsOf gives the functions that a device hangs on. A namespace with
// several paths hangs on a subsystem of no function, as does its character
// device, ng0n1 beside nvme0n1 (Linux drivers/nvme/host/multipath.c): it goes
// with the functions of its block device. What hangs on none may be one that a
// driver has for all its functions.
func functionsOf(s *facts.Survey, dir string) []facts.Address {
	if at := facts.NearestFunction(dir); at != nil {
		return []facts.Address{*at}
	}
	name, generic := strings.CutPrefix(path.Base(dir), "ng")
	if !generic || !strings.Contains(dir, "/nvme-subsystem/") {
		return sharedBy(s, path.Base(dir))
	}
	var list []facts.Address
	for _, b := range s.Blocks {
		if b.Controller != nil && (b.Name == "nvme"+name || hiddenPath(b) && slices.Contains(b.Holders, "nvme"+name)) {
			list = append(list, *b.Controller)
		}
	}
	return list
}
