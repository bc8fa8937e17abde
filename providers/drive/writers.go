package drive

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/image"
)

// unwritten says who has a file of an image open for writing.
func (ds Drives) unwritten(i *image.Image) error {
	for _, link := range i.Chain() {
		path := link.Path
		var file unix.Stat_t
		if err := unix.Stat(filepath.Join(ds.root(), path), &file); err != nil {
			return fmt.Errorf("look at %s: %w", path, err)
		}
		if writers := writersOf(file.Dev, file.Ino); len(writers) > 0 {
			return fmt.Errorf("%s is written by %s", path, strings.Join(writers, ", "))
		}
	}
	return nil
}

// writersOf names the processes that have a file open for writing, as far as
// /proc shows them.
func writersOf(device, inode uint64) []string {
	processes, _ := filepath.Glob("/proc/[0-9]*") // the pattern is sound
	var list []string
	for _, process := range processes {
		links, _ := filepath.Glob(process + "/fd/*")
		for _, link := range links {
			if !writes(process, link, device, inode) {
				continue
			}
			name, _ := os.ReadFile(process + "/comm")
			list = append(list, fmt.Sprintf("%s (pid %s)", bytes.TrimSpace(name), filepath.Base(process)))
			break
		}
	}
	return list
}

// writes tells whether a descriptor is that file, open for writing. Only those
// that can write are looked at closer: a look at a file of a network filesystem
// may never return.
func writes(process, link string, device, inode uint64) bool {
	text, err := os.ReadFile(filepath.Join(process, "fdinfo", filepath.Base(link)))
	if err != nil {
		return false // closed meanwhile
	}
	_, rest, _ := strings.Cut(string(text), "flags:") // in octal (proc_pid_fdinfo(5))
	field, _, _ := strings.Cut(strings.TrimSpace(rest), "\n")
	flags, err := strconv.ParseUint(field, 8, 64)
	if err == nil && flags&unix.O_ACCMODE == unix.O_RDONLY {
		return false
	}
	if name, _ := os.Readlink(link); !strings.HasPrefix(name, "/") {
		return false // a socket, a pipe
	}
	var file unix.Stat_t
	return unix.Stat(link, &file) == nil && file.Dev == device && file.Ino == inode
}
