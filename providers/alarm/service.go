package alarm

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// watchService is the unit under which the watch runs; in no other group of
// processes is anybody ended who is not in the command's own session.
const watchService = "lendkeep-watch.service"

// ownService gives the folder of the control group that this process is in, where
// that is the watch's own; empty elsewhere (cgroups(7), version 2: one line, "0::"
// and the path below the mount).
func ownService() string {
	content, err := os.ReadFile("/proc/self/cgroup")
	if err != nil {
		return ""
	}
	return serviceIn(string(content))
}

func serviceIn(cgroup string) string {
	within, found := strings.CutPrefix(strings.TrimSpace(cgroup), "0::/")
	if !found || strings.Contains(within, "\n") || filepath.Base(within) != watchService {
		return ""
	}
	return filepath.Join("/sys/fs/cgroup", within)
}

// rounds is how often a group is looked at for those that are left: one that is
// killed may have started another meanwhile.
const rounds = 20

// endService ends every other process of a control group. The command itself is
// waited for yet, and is one of them no more.
func endService(folder string) {
	if folder == "" {
		return
	}
	for range rounds {
		others := false
		content, err := os.ReadFile(filepath.Join(folder, "cgroup.procs"))
		if err != nil {
			return
		}
		for word := range strings.FieldsSeq(string(content)) {
			if pid, err := strconv.Atoi(word); err == nil && pid > 1 && pid != os.Getpid() {
				others = true
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
		}
		if !others {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}
