package drive

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// Openers names the processes that have one of these block devices open, such
// as a guest whose disk is a partition: neither mounts nor holders show those.
// It goes by device numbers, as a guest's own /dev may have other names.
func Openers(devices []facts.Devno) []string {
	processes, _ := filepath.Glob("/proc/[0-9]*") // the pattern is sound
	var list []string
	for _, process := range processes {
		open, _ := filepath.Glob(process + "/fd/*")
		for _, link := range open {
			file := deviceOpen(link, devices)
			if file == "" {
				continue
			}
			name, _ := os.ReadFile(process + "/comm")
			list = append(list, fmt.Sprintf("%s (pid %s) has %s open", bytes.TrimSpace(name), filepath.Base(process), file))
			break
		}
		if len(list) == maxUsers {
			return append(list, "and maybe more")
		}
	}
	return list
}

// deviceOpen gives the path of an open file that is one of the devices; "" for
// any other. Only what lies below /dev is looked at: a look at a file of a
// network filesystem may never return.
func deviceOpen(link string, devices []facts.Devno) string {
	file, err := os.Readlink(link)
	if err != nil || !strings.HasPrefix(file, "/dev/") {
		return ""
	}
	var stat unix.Stat_t
	if unix.Stat(link, &stat) != nil || stat.Mode&unix.S_IFMT != unix.S_IFBLK {
		return ""
	}
	if slices.Contains(devices, facts.Devno{Major: unix.Major(stat.Rdev), Minor: unix.Minor(stat.Rdev)}) {
		return file
	}
	return ""
}
