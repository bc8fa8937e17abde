// Package linux looks into an installed Linux on a disk whose guest is off: by its
// bytes, whether it will start from an NVMe drive. It opens nothing and writes nothing.
// Start at Look.
package linux

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/formats/blocks"
	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Look gives what is seen of the Linux on a disk, by its bytes and by what is known
// of its partitions. Without one it is nil; where several are, or where what is there
// cannot be read, its Gap says so and its Kind is empty.
func Look(ctx context.Context, r io.ReaderAt, c *facts.Content) (found *facts.Installed) {
	// Whatever a guest wrote is read here by several libraries, by root.
	defer func() {
		if wrong := recover(); wrong != nil {
			found = &facts.Installed{Gap: fmt.Sprintf("looking for a Linux broke off: %.200v", wrong)}
		}
	}()
	if c.Table != nil && c.Signature != nil {
		return &facts.Installed{Gap: "the disk is marked as " + c.Signature.Kind + " as a whole, so what its partitions hold is not known"}
	}
	ctx, cancel := context.WithTimeout(ctx, lookWithin)
	defer cancel()
	// What was not looked at in time may be another system, or the one that is started.
	defer func() {
		if ctx.Err() != nil {
			found = &facts.Installed{Gap: fmt.Sprintf("looking for a Linux was given up: %v", ctx.Err())}
		}
	}()
	all := volumes(&blocks.Reader{Ctx: ctx, R: r, Bytes: c.SizeBytes}, c)
	roots := slices.DeleteFunc(slices.Clone(all), func(v *volume) bool { return !v.isRoot() })
	boot := slices.DeleteFunc(slices.Clone(all), func(v *volume) bool { return !v.isBoot() })
	s := &system{ctx: ctx, all: all, read: map[string]*image{}}
	switch {
	case len(roots) > 1:
		return &facts.Installed{Gap: "several partitions hold a Linux system: " + names(roots)}
	case len(roots) == 1:
		s.onRoot(roots[0], boot)
	case len(boot) == 1:
		s.onBoot(boot[0])
	default:
		return unread(all)
	}
	for _, v := range all {
		v.asked = false // so far nothing rests on it
	}
	return s.installed()
}

// lookWithin bounds how long one disk is looked into, whatever is on it: 128 partitions
// may each have folders and images as large as are read.
const lookWithin = time.Minute

// unread says which partitions may hold a system that is not looked into.
func unread(all []*volume) *facts.Installed {
	var told []string
	for _, v := range all {
		if v.tree == nil && v.Signature != nil && slices.Contains(ofLinux, v.Signature.Kind) {
			told = append(told, v.name()+" "+v.gap)
		}
	}
	if len(told) == 0 {
		return nil
	}
	return &facts.Installed{Gap: short(strings.Join(told, "; "))}
}

// ofLinux are kinds of what holds the root of a Linux, by blkid's names.
var ofLinux = []string{"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "bcachefs", "erofs", "squashfs", "zfs_member", "LVM2_member", "crypto_LUKS", "linux_raid_member", "bcache", "jfs", "reiserfs", "nilfs2", "stratis"}

func names(all []*volume) string {
	var list []string
	for _, v := range all {
		list = append(list, v.name())
	}
	return strings.Join(list, ", ")
}

// isRoot tells whether a system's root is on it (os-release(5), file-hierarchy(7)).
func (v *volume) isRoot() bool {
	if v.tree == nil || v.Signature.Kind == "vfat" {
		return false
	}
	names, err := v.alone().list("/etc")
	return err == nil && (slices.Contains(names, "os-release") || slices.Contains(names, "fstab")) && v.alone().has("/usr")
}

// isBoot tells whether it is made to be mounted at /boot: kernels, and a loader's folder.
func (v *volume) isBoot() bool {
	if v.tree == nil {
		return false
	}
	names, err := v.alone().list("/")
	loader := slices.ContainsFunc(names, func(n string) bool { return slices.Contains([]string{"grub", "grub2", "loader", "extlinux"}, n) })
	return err == nil && loader && (slices.ContainsFunc(names, isKernel) || slices.Contains(names, "loader"))
}

func isKernel(name string) bool { return strings.HasPrefix(name, "vmlinuz") }

// system is an installed one.
type system struct {
	ctx  context.Context
	all  []*volume
	on   int // number of the partition on which it was found
	here *place
	read map[string]*image // initramfs images by volume and path
}

// onRoot puts together what fstab mounts below the root.
func (s *system) onRoot(root *volume, boot []*volume) {
	s.on, s.here = root.Number, root.alone()
	s.here.mounts = map[string]*place{}
	fstab, err := s.here.text("/etc/fstab")
	if len(fstab) > fstabMost {
		fstab, err = "", fmt.Errorf("/etc/fstab has %d bytes", len(fstab))
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		s.here.mounts["/boot"] = &place{gap: err.Error()}
	}
	for _, m := range boots.Mounts(fstab) {
		if m.At != "/" {
			s.here.mounts[m.At] = s.mounted(m.What)
		}
	}
	// Without a line, systemd mounts it by its partition's type (systemd-gpt-auto-generator(8)).
	if _, told := s.here.mounts["/boot"]; !told && len(boot) == 1 {
		if names, err := s.here.list("/boot"); err == nil && !slices.ContainsFunc(names, isKernel) {
			s.here.mounts["/boot"] = boot[0].alone()
		}
	}
}

const fstabMost = 64 << 10 // bytes of which mounts are taken

// mounted gives the partition that a line of fstab names.
func (s *system) mounted(what string) *place {
	if v := s.volume(what); v != nil {
		return v.alone()
	}
	return &place{gap: fmt.Sprintf("it is not known which partition %.80q is", what)}
}

// volume gives the one partition that a name means, or nil.
func (s *system) volume(name string) *volume {
	found := slices.DeleteFunc(slices.Clone(s.all), func(v *volume) bool { return !v.is(name) })
	if len(found) != 1 {
		return nil
	}
	return found[0]
}

// onBoot is a system of which only /boot can be read.
func (s *system) onBoot(boot *volume) {
	gap := "no partition that can be read holds its root"
	if none := unread(s.all); none != nil {
		gap = none.Gap
	}
	// The root of that tree is the boot partition only so that paths have a beginning.
	s.on, s.here = boot.Number, &place{gap: gap, mounts: map[string]*place{"/boot": boot.alone()}}
}

// installed asks all that is asked of a Linux.
func (s *system) installed() *facts.Installed {
	i := &facts.Installed{Kind: "linux", Name: s.name(), Partition: s.on}
	offers := s.offers()
	i.Answers = []facts.Answer{s.driver(offers), s.names(offers), loader(offers)}
	var stale []string
	for _, v := range s.all {
		if why := v.stale(); v.asked && why != "" {
			stale = append(stale, why)
		}
	}
	if len(stale) > 0 {
		for n := range i.Answers {
			a := &i.Answers[n]
			a.Says, a.Seen = facts.Unknown, strings.Join(stale, "; ")+", so what is read may be older than what was written; seen: "+a.Seen
		}
	}
	for n := range i.Answers {
		a := &i.Answers[n]
		a.Where, a.Seen = short(a.Where), short(a.Seen)
	}
	return i
}

// short bounds a text that has names from the disk in it.
func short(text string) string {
	return strings.ToValidUTF8(plain.Cut(text, textShown), "\ufffd")
}

// textShown is in bytes.
const textShown = 1000

// nameMost bounds what a system calls itself, in bytes.
const nameMost = 100

// name gives what the system calls itself (os-release(5), PRETTY_NAME).
func (s *system) name() string {
	for _, file := range []string{"/etc/os-release", "/usr/lib/os-release"} {
		text, err := s.here.text(file)
		if err != nil {
			continue
		}
		for line := range strings.Lines(text) {
			if name, ok := strings.CutPrefix(strings.TrimSpace(line), "PRETTY_NAME="); ok {
				name = strings.Trim(name, `"'`)
				return strings.ToValidUTF8(name[:min(len(name), nameMost)], "")
			}
		}
	}
	return ""
}

// reading is how the texts of this system are read.
func (s *system) reading() boots.Reading {
	return boots.Reading{Text: s.here.text, List: s.here.list}
}

// names judges how the system names disks. The entry that is started decides.
func (s *system) names(o *offers) facts.Answer {
	files := s.reading().Files()
	for _, e := range o.deciding() {
		line := boots.File{Kind: boots.Line, Path: e.from, Text: e.Line, Gap: e.Gap}
		if e.bare {
			line.Gap = "no file of a loader that is known gives its kernel a command line"
		} else if line.Gap == "" {
			line.Gap = s.elsewhere(e.Line)
		}
		files = append(files, line)
	}
	return boots.Names(files...)
}

// ofBytes is how a filesystem or partition is named by what it says of itself (mount(8)).
// What is named by its disk or place is judged by boots.
var ofBytes = regexp.MustCompile(`^((PART)?(UUID|LABEL)=|/dev/disk/by-(part)?(uuid|label)/)`)

// elsewhere says that a command line has another root than the one that was found,
// which then is on another disk, or nowhere; empty: it has not, or nobody can tell.
func (s *system) elsewhere(line string) string {
	root := ""
	for _, word := range strings.Fields(line) {
		if value, ok := strings.CutPrefix(word, "root="); ok {
			root = strings.Trim(value, `"`)
		}
	}
	if s.here.root == nil || !ofBytes.MatchString(root) || s.here.root.is(root) {
		return ""
	}
	return fmt.Sprintf("it has root=%.80s, which is not %s, where the system was found", root, s.here.root.name())
}
