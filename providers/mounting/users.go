package mounting

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// maxUsers is how many users of a filesystem are named.
const maxUsers = 8

// usersOf names the processes that keep a filesystem busy, as far as /proc
// shows them: what others do in other mount namespaces it does not.
func usersOf(mount string) []string {
	processes, _ := filepath.Glob("/proc/[0-9]*") // the pattern is sound
	var users []string
	for _, process := range processes {
		if use := useBy(process, mount); use != "" {
			name, _ := os.ReadFile(process + "/comm")
			users = append(users, fmt.Sprintf("%s (pid %s) %s", bytes.TrimSpace(name), filepath.Base(process), use))
		}
		if len(users) == maxUsers {
			return append(users, "and maybe more")
		}
	}
	return users
}

// useBy gives one way in which a process uses a mount; "" for none that can be
// seen. A process that ends meanwhile has none.
func useBy(process, mount string) string {
	if place, _ := os.Readlink(process + "/cwd"); below(place, mount) {
		return "works in " + place
	}
	if place, _ := os.Readlink(process + "/root"); below(place, mount) {
		return "has its root at " + place
	}
	open, _ := filepath.Glob(process + "/fd/*")
	for _, link := range open {
		if file, _ := os.Readlink(link); below(file, mount) {
			return "has " + file + " open"
		}
	}
	maps, _ := os.ReadFile(process + "/maps")
	for line := range bytes.Lines(maps) {
		// address, permissions, offset, device, inode, path (proc(5)).
		if at := bytes.IndexByte(line, '/'); at >= 0 && below(string(bytes.TrimSpace(line[at:])), mount) {
			return "runs or maps " + string(bytes.TrimSpace(line[at:]))
		}
	}
	return ""
}

// below tells whether a path is a mount's own or leads below it.
func below(path, mount string) bool {
	mount = filepath.Clean(mount)
	return path == mount || strings.HasPrefix(path, strings.TrimSuffix(mount, "/")+"/")
}
