// Package place says where on the host something may lie of which guests write, or
// read, every byte: a drive that is mounted, an image. Start at Wrong.
package place

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// kernels are filled by the kernel.
var kernels = []string{"/dev", "/proc", "/sys"}

// hosts are the folders out of which a host runs programs as root, or goes by what it
// reads there, whoever wrote it (Filesystem Hierarchy Standard 3.0, chapters 3 to 6;
// hier(7)); lendkeep's and libvirt's own with them.
var hosts = []string{"/bin", "/boot", "/etc", "/lib", "/lib32", "/lib64", "/libx32", "/root", "/run", "/sbin", "/usr",
	"/var/lib/dpkg", "/var/lib/lendkeep", "/var/lib/libvirt/qemu", "/var/spool"}

// Wrong says why that may not be at a path, which is absolute and in its shortest form;
// empty: it may.
func Wrong(at string) string {
	switch {
	case !path.IsAbs(at) || path.Clean(at) != at:
		return fmt.Sprintf("%q is no absolute path in its shortest form", at)
	case at == "/":
		return "the path names the root directory"
	}
	for _, dir := range kernels {
		if Within(at, dir) {
			return dir + " belongs to the kernel"
		}
	}
	if slices.ContainsFunc(hosts, func(dir string) bool { return Within(dir, at) }) {
		return fmt.Sprintf("the host needs %s while the drive is lent", at)
	}
	for _, dir := range hosts {
		if Within(at, dir) {
			return fmt.Sprintf("the host runs, or goes by, what lies in %s: it is no place for what guests write or read", dir)
		}
	}
	return ""
}

// Within tells whether a path, in its shortest form, is a folder or below it.
func Within(at, dir string) bool { return at == dir || strings.HasPrefix(at, dir+"/") }
