package main

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/content"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// readContents looks into the drives from which something is to be mounted, and
// notes what they hold. One that cannot be looked into is noted with the reason:
// then nobody knows how its filesystems were left.
func readContents(s *facts.Survey, r guard.Rules) {
	ix := facts.NewIndex(s)
	for _, c := range r.Controllers {
		where, f, _ := ix.Where(c.Identity)
		if where != facts.Home || !wanting(ix, f, c) {
			continue
		}
		for _, b := range ix.Drives(f.Address) {
			made, err := readContent("/dev/"+b.Name, b)
			if err != nil {
				made = facts.Content{Of: b.Name, Gaps: []facts.Gap{{Fact: "table", Path: "/dev/" + b.Name, Reason: err.Error()}}}
			}
			s.Contents = append(s.Contents, made)
		}
	}
}

// wanting tells whether a partition is there that is to be mounted and is not.
func wanting(ix *facts.Index, f *facts.Function, c guard.Controller) bool {
	for _, m := range c.Mounts {
		part := ix.PartitionNamed(f.Address, m.Partition)
		if part != nil && !ix.MountAt(m.Path).Of(part, m.Path) {
			return true
		}
	}
	return false
}

func readContent(device string, b *facts.Block) (facts.Content, error) {
	file, err := os.Open(device)
	if err != nil {
		return facts.Content{}, err
	}
	defer file.Close()
	var stat unix.Stat_t
	if err := unix.Fstat(int(file.Fd()), &stat); err != nil {
		return facts.Content{}, err
	}
	// Names move, device numbers do not while the device is there.
	if at := (facts.Devno{Major: unix.Major(stat.Rdev), Minor: unix.Minor(stat.Rdev)}); stat.Mode&unix.S_IFMT != unix.S_IFBLK || at != b.Devno {
		return facts.Content{}, fmt.Errorf("it is %s, not %s", at, b.Devno)
	}
	// What was read of the drive before, and is still in memory, is not what was
	// written since through a filesystem.
	if err := unix.Fadvise(int(file.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		return facts.Content{}, err
	}
	return content.Read(file, b.Name, b.SizeBytes, uint64(b.SectorBytes), false), nil
}
