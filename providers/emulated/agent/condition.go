package main

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/providers/emulated/wire"
)

// watched are the files and folders in which somebody could leave what acts on
// who comes after: hooks, rules, tables of mounts, lendkeep's own records,
// images. What is not there holds nothing.
var watched = []string{
	"/etc/fstab", "/etc/crypttab", "/etc/mdadm", "/etc/lendkeep", "/etc/libvirt/hooks", "/etc/libvirt/qemu",
	"/etc/modprobe.d", "/etc/systemd/system", "/etc/udev/rules.d", "/run/lendkeep", "/run/lvm", "/run/udev/rules.d",
	"/srv", "/mnt", "/tmp", "/root/workshop", "/var/lib/images", "/var/lib/lendkeep",
	"/var/lib/libvirt/images", "/var/lib/libvirt/qemu/nvram",
}

// Condition tells what stands on the host that its next user would meet: an
// entry for each use of a drive, mount, driver, guest, process and watched
// file. What cannot be read because it went at that moment is left out.
func (h *Host) Condition(_ wire.None, found *[]wire.Trace) error {
	look := &look{}
	for _, part := range []func() error{look.processes, look.swaps, look.blocks, look.functions, look.guests, look.files} {
		if err := part(); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("tell condition: %w", err)
		}
	}
	*found = look.found
	return nil
}

// look collects; root is put before every path and is empty but in tests.
type look struct {
	root  string
	found []wire.Trace
}

func (l *look) add(kind wire.Kind, name, detail string) {
	l.found = append(l.found, wire.Trace{Kind: kind, Name: name, Detail: detail})
}

// glob gives what matches below the root, in order; the patterns here are sound.
func (l *look) glob(pattern string) []string {
	found, _ := filepath.Glob(l.root + pattern)
	return found
}

// text is a file's content in one line, "" where there is none.
func text(parts ...string) string {
	content, err := os.ReadFile(filepath.Join(parts...))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(content))
}

// serving are the daemons, by name: they come and go with restarts, so only that they run counts.
// A worker of udev's is none's work but the kernel's events'.
var serving = []string{"systemd-udevd", "(udev-worker)", "virtlogd", "libvirtd"}

// processes tells of every program besides the agent's, and of the mounts that
// each mount namespace has.
func (l *look) processes() error {
	own := []string{fmt.Sprint(os.Getpid()), "1"}
	spaces := map[string]bool{}
	home, err := os.Readlink(l.root + "/proc/self/ns/mnt")
	if err != nil {
		return err
	}
	spaces[home] = true
	mounted, err := l.mounts("/proc/self/mountinfo")
	if err != nil {
		return err
	}
	l.found = append(l.found, mounted...)
	for _, folder := range l.glob("/proc/[0-9]*") {
		argv := strings.TrimSpace(strings.ReplaceAll(text(folder, "cmdline"), "\x00", " ")) // none: a kernel's thread, or ended
		name, pid := text(folder, "comm"), filepath.Base(folder)
		space, err := os.Readlink(filepath.Join(folder, "ns/mnt"))
		if err == nil && !spaces[space] {
			spaces[space] = true
			if err := l.apart("/proc/"+pid+"/mountinfo", name, mounted); err != nil && !gone(err) {
				return err
			}
		}
		if argv != "" && !slices.Contains(own, pid) && !slices.Contains(serving, name) {
			l.add(wire.Process, pid, argv)
		}
	}
	return nil
}

// gone says of an error that what was asked has ended meanwhile.
func gone(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, unix.ESRCH) || errors.Is(err, unix.EINVAL)
}

// apart tells of mounts that a program's namespace has and the host's own lacks.
func (l *look) apart(mountinfo, name string, own []wire.Trace) error {
	mounted, err := l.mounts(mountinfo)
	for _, trace := range mounted {
		if !slices.Contains(own, trace) {
			l.add(wire.Apart, trace.Name, trace.Detail+" in that of "+name)
		}
	}
	return err
}

// mounts reads a mountinfo (proc(5)): the fifth word is where, and behind the
// lone dash stand kind and source.
func (l *look) mounts(name string) (found []wire.Trace, err error) {
	content, err := os.ReadFile(l.root + name)
	if err != nil {
		return nil, err
	}
	for line := range strings.Lines(string(content)) {
		before, after, two := strings.Cut(line, " - ")
		words, source := strings.Fields(before), strings.Fields(after)
		if !two || len(words) < 6 || len(source) < 2 {
			return nil, fmt.Errorf("read %s: not understood: %q", name, line)
		}
		found = append(found, wire.Trace{Kind: wire.Mount, Name: words[4], Detail: source[0] + " " + source[1]})
	}
	return found, nil
}

func (l *look) swaps() error {
	content, err := os.ReadFile(l.root + "/proc/swaps")
	if err != nil {
		return err
	}
	for i, line := range strings.Split(strings.TrimSpace(string(content)), "\n") {
		if i > 0 { // the first line is the heading
			l.add(wire.Swap, strings.Fields(line)[0], "")
		}
	}
	return nil
}

func (l *look) functions() error {
	for _, folder := range l.glob("/sys/bus/pci/devices/*") {
		driver := "none"
		if link, err := os.Readlink(filepath.Join(folder, "driver")); err == nil {
			driver = filepath.Base(link)
		}
		if override := text(folder, "driver_override"); override != "" && override != "(null)" {
			driver += ", told to take " + override
		}
		l.add(wire.Driver, filepath.Base(folder), driver)
	}
	return nil
}

// guests tells of those that run; libvirt keeps a file of each there. Their
// definitions are watched files.
func (l *look) guests() error {
	for _, name := range l.glob("/run/libvirt/qemu/*.xml") {
		l.add(wire.Guest, strings.TrimSuffix(filepath.Base(name), ".xml"), "runs")
	}
	return nil
}

func (l *look) files() error {
	for _, root := range watched {
		err := filepath.WalkDir(l.root+root, func(name string, entry fs.DirEntry, err error) error {
			if err != nil || !entry.Type().IsRegular() && entry.Type() != fs.ModeSymlink {
				return ignoreGone(err)
			}
			content, err := readSome(name)
			if err == nil {
				l.add(wire.File, strings.TrimPrefix(name, l.root), fmt.Sprintf("%08x", crc32.ChecksumIEEE(content)))
			}
			return ignoreGone(err)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func ignoreGone(err error) error {
	if gone(err) {
		return nil
	}
	return err
}
