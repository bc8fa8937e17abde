package sysfs

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"github.com/moby/sys/mountinfo"

	"lendkeep/reconcile/facts"
)

// listMounts reads what is mounted, in the kernel's sequence: of two mounts at
// one place the later one is seen (proc(5), /proc/pid/mountinfo).
func (s *survey) listMounts(context.Context) {
	const file = "self/mountinfo"
	area := s.whole("proc")
	var err error
	if s.mounted, err = s.mountinfo("proc/" + file); err != nil {
		area.gap("mounts", file, err)
		return
	}
	if !slices.ContainsFunc(s.mounted, func(m *mountinfo.Info) bool { return m.Mountpoint == "/" }) {
		area.gap("mounts", file, errors.New("nothing is mounted at /, so something is missing"))
	}
}

// readMounts finds what each mounted filesystem is on. It needs the block devices.
func (s *survey) readMounts(context.Context) {
	if len(s.mounted) == 0 {
		return
	}
	pools := s.btrfs()
	for _, m := range s.mounted {
		s.out.Mounts = append(s.out.Mounts, facts.Mount{
			Devno: facts.Devno{Major: uint32(m.Major), Minor: uint32(m.Minor)},
			Root:  m.Root, Path: m.Mountpoint, Kind: m.FSType, Source: m.Source,
			Options: options(m.Options), SuperOptions: options(m.VFSOptions),
			Devices: s.devicesOf(m, pools),
		})
	}
}

func (s *survey) mountinfo(file string) ([]*mountinfo.Info, error) {
	content, err := s.read(file)
	if err != nil {
		return nil, err
	}
	if !ended(content) {
		return nil, errCut
	}
	return mountinfo.GetMountsFromReader(bytes.NewReader(content), nil)
}

// options splits a list at its commas. A value may hold a comma as \054.
func options(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(text, ",")
}

// devicesOf gives the devices of a filesystem that the mount's device number
// does not name.
func (s *survey) devicesOf(m *mountinfo.Info, pools map[string][]string) []string {
	if m.FSType == "btrfs" {
		return s.devicesOfBtrfs(m, pools)
	}
	var names []string
	for _, source := range sources(m) {
		if name := s.deviceNamed(source); name != "" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// sources gives the devices by which such a filesystem names itself, or others that
// belong to it.
func sources(m *mountinfo.Info) []string {
	var list []string
	switch m.FSType {
	case "btrfs":
		return []string{m.Source}
	case "bcachefs": // the source is all of them, with colons between
		return strings.Split(m.Source, ":")
	case "xfs":
		for _, option := range options(m.VFSOptions) {
			if key, value, _ := strings.Cut(option, "="); key == "logdev" || key == "rtdev" {
				list = append(list, value)
			}
		}
	}
	return list
}

// deviceNamed gives the block device of a path below /dev; "" when none is
// meant.
func (s *survey) deviceNamed(named string) string {
	link, found := strings.CutPrefix(named, "/dev/")
	if !found {
		return ""
	}
	for _, b := range s.out.Blocks {
		if b.Name == link || slices.Contains(b.Links, link) {
			return b.Name
		}
	}
	return ""
}

// btrfs gives the devices of each btrfs filesystem that is mounted, by its UUID
// (Documentation/ABI/testing/sysfs-fs-btrfs has them as links below devices).
func (s *survey) btrfs() map[string][]string {
	const dir = "sys/fs/btrfs"
	area := s.whole(dir)
	pools := map[string][]string{}
	for _, uuid := range area.names("mounts") {
		if uuid == "features" {
			continue
		}
		devices, err := s.list(path.Join(dir, uuid, "devices"))
		if err != nil {
			area.gap("mounts", uuid+"/devices", err)
		}
		pools[uuid] = devices
	}
	return pools
}

// devicesOfBtrfs finds the filesystem of a mount by its source, which is one of
// its devices. Where that is of no help every btrfs device counts as used by
// it: too many is safe, too few is not.
func (s *survey) devicesOfBtrfs(m *mountinfo.Info, pools map[string][]string) []string {
	source := s.deviceNamed(m.Source)
	var all []string
	for _, uuid := range slices.Sorted(maps.Keys(pools)) {
		if source != "" && slices.Contains(pools[uuid], source) {
			return pools[uuid]
		}
		all = append(all, pools[uuid]...)
	}
	area := s.whole("sys/fs/btrfs")
	area.gap("mounts", "", fmt.Errorf("which devices the filesystem at %s has is not known: %s is in no list of devices", m.Mountpoint, m.Source))
	slices.Sort(all)
	return slices.Compact(all)
}

// deleted is what the kernel appends to a path that no longer leads to what is
// open.
const deleted = " (deleted)"

// readSwaps reads the active swap areas.
func (s *survey) readSwaps(context.Context) {
	area := s.whole("proc")
	content, err := s.read("proc/swaps")
	switch {
	case err != nil:
	case !ended(content):
		err = errCut
	case !bytes.HasPrefix(content, []byte("Filename")):
		err = unexpected(string(content))
	}
	if err != nil {
		area.gap("swaps", "swaps", err)
		return
	}
	lines := strings.Split(strings.TrimSuffix(string(content), "\n"), "\n")
	for _, line := range lines[1:] {
		fields := strings.Fields(line)
		if len(fields) != 5 {
			area.gap("swaps", "swaps", unexpected(line))
			continue
		}
		swap := facts.Swap{Path: facts.Unescape(fields[0]), File: fields[1] == "file"}
		if !swap.File && strings.HasSuffix(swap.Path, deleted) {
			area.gap("swaps", "swaps", fmt.Errorf("swap is active on %s: the device went away under it", swap.Path))
		}
		s.out.Swaps = append(s.out.Swaps, swap)
	}
}
