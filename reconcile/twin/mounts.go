package twin

import (
	"path"
	"slices"
	"strings"
)

// plainOptions are the options of a mount that are given to the machine's own.
var plainOptions = []string{"ro", "rw", "nosuid", "nodev", "noexec", "noatime", "nodiratime", "relatime", "sync"}

// ours are the places that the machine itself needs: nothing is mounted on them,
// above them, nor below them.
var ours = []string{"/bin", "/dev", "/etc", "/lib", "/lib32", "/lib64", "/proc", "/root", "/run", "/sbin", "/sys", "/tmp", "/usr"}

// kept are those on which, and above which, nothing is mounted, but below them.
var kept = []string{"/var/cache", "/var/lib/libvirt/qemu", "/var/log", "/var/run", "/var/tmp"}

// isPlace tells whether a path may be made in the machine.
func isPlace(p string) bool {
	if !path.IsAbs(p) || path.Clean(p) != p || p == "/" || len(p) > 1024 || !printable(p) {
		return false
	}
	below := func(p, folder string) bool { return p == folder || strings.HasPrefix(p, folder+"/") }
	return !slices.ContainsFunc(ours, func(folder string) bool { return below(p, folder) || below(folder, p) }) &&
		!slices.ContainsFunc(kept, func(folder string) bool { return below(folder, p) })
}

// mounts copies the mounts of copied devices, and swap on them.
func (c *copying) mounts() {
	for i := range c.survey.Mounts {
		m := &c.survey.Mounts[i]
		of := c.byNumber[m.Devno]
		if of == nil || !c.names[of.Name] || m.Root != "/" || m.Elsewhere != "" || !isPlace(m.Path) || c.made[of.Name] != m.Kind || !forms[m.Kind].filesystem {
			c.unlike.add("mount", m.Path, "not mounted, or the twin's own", "who keeps a filesystem busy, and what lies below it")
			continue
		}
		copied := Mount{Of: of.Name, Path: m.Path, Kind: m.Kind}
		for _, option := range m.Options {
			if slices.Contains(plainOptions, option) {
				copied.Options = append(copied.Options, option)
			} else {
				c.unlike.add("mount option", m.Path, "those alone that every filesystem has", "what the option does")
			}
		}
		c.m.Mounts = append(c.m.Mounts, copied)
	}
	// What is above comes first, however a survey lists them.
	slices.SortStableFunc(c.m.Mounts, func(a, b Mount) int { return strings.Compare(a.Path, b.Path) })
	for _, s := range c.survey.Swaps {
		if b := c.ix.Device(s.Path); !s.File && b != nil && c.names[b.Name] && c.made[b.Name] == "swap" {
			c.m.Swaps = append(c.m.Swaps, b.Name)
		} else {
			c.unlike.add("swap", s.Path, "no swap there", "that the host's memory keeps it busy")
		}
	}
}
