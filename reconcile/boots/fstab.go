package boots

import (
	"path"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// noDisk lists filesystems that are of no disk ("nodev" in /proc/filesystems, Linux
// 6.1; those of the network and of QEMU by their pages of mount). The others are.
var noDisk = []string{
	"proc", "sysfs", "tmpfs", "ramfs", "devtmpfs", "devpts", "cgroup", "cgroup2", "cpuset", "debugfs", "tracefs", "securityfs", "configfs", "efivarfs",
	"pstore", "bpf", "mqueue", "hugetlbfs", "binfmt_misc", "fusectl", "selinuxfs", "rpc_pipefs", "nfsd", "overlay", "aufs", "usbfs", "usbdevfs",
	"nfs", "nfs4", "cifs", "smb3", "smbfs", "ceph", "glusterfs", "9p", "virtiofs", "afs", "fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.s3fs", "davfs",
}

// fstabLine judges a line of fstab(5): what is mounted, and devices among the options.
func fstabLine(fields []string, own []string) (facts.Held, string) {
	what, kind, options := fields[0], "", []string(nil)
	if len(fields) > 2 {
		kind = fields[2]
	}
	if len(fields) > 3 {
		options = strings.Split(fields[3], ",")
	}
	if slices.Contains(options, "noauto") && !slices.Contains(options, "x-systemd.automount") {
		return facts.Present, "" // not at the start
	}
	says, why := mounted(what, kind, options, own)
	for _, option := range options {
		_, value, _ := strings.Cut(option, "=")
		if says == facts.Present && strings.HasPrefix(value, "/dev/") {
			says, why = Name(value, own...)
		}
		if says == facts.Present && strings.HasPrefix(option, "journal_dev=") {
			says, why = facts.Absent, byPlace // by its number (ext4(5))
		}
	}
	return says, why
}

// mounted judges the first field of a line.
func mounted(what, kind string, options, own []string) (facts.Held, string) {
	tag, _, tagged := strings.Cut(what, "=")
	clean := path.Clean(what)
	file := kind == "swap" || slices.Contains(options, "bind") || slices.Contains(options, "rbind") || slices.Contains(options, "loop")
	switch {
	case strings.HasPrefix(clean, "/dev/"), tagged && (tag == "ID" || slices.Contains(tags, tag)):
		return Name(what, own...)
	case slices.Contains(noDisk, kind):
		return facts.Present, ""
	case strings.HasPrefix(clean, "/") && file: // a file or folder of the system
		return facts.Present, ""
	}
	return facts.Unknown, "lendkeep does not know what that names"
}

// unescaped undoes what fstab(5) writes for blanks: \040, \011, \012, \134.
func unescaped(field string) string {
	var made strings.Builder
	for i := 0; i < len(field); i++ {
		if field[i] == '\\' && i+4 <= len(field) {
			if n, err := strconv.ParseUint(field[i+1:i+4], 8, 8); err == nil {
				made.WriteByte(byte(n))
				i += 3
				continue
			}
		}
		made.WriteByte(field[i])
	}
	return made.String()
}
