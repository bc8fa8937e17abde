package holding

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// exports are where the kernel's own servers of drives keep, below configfs, the
// path of what they have open: no process has it, and not all of them claim it
// (Linux drivers/nvme/target/configfs.c, passthru.c, drivers/target/target_core_configfs.c,
// Documentation/usb/gadget-testing.rst).
var exports = []string{
	"nvmet/subsystems/*/namespaces/*/device_path",
	"nvmet/subsystems/*/passthru/device_path",
	"target/core/*/*/udev_path", // what a tool has written there
	"target/core/*/*/info",      // what is served, in words: File: /dev/sdb (target_core_file.c, fd_show_configfs_dev_params)
	"usb_gadget/*/functions/*/lun.*/file",
}

// exported finds which devices the kernel serves to others, root being where
// configfs is mounted.
func exported(root string, wanted map[node]bool) (map[node][]facts.Opener, error) {
	found := map[node][]facts.Opener{}
	for _, pattern := range exports {
		files, _ := filepath.Glob(filepath.Join(root, pattern)) // the patterns are sound
		for _, file := range files {
			content, err := os.ReadFile(file)
			if vanished(err) {
				continue
			}
			if err != nil {
				return found, fmt.Errorf("read what the kernel serves: %w", err)
			}
			within, _ := filepath.Rel(root, filepath.Dir(file))
			who := facts.Opener{Process: "the kernel itself, as " + within}
			for _, named := range append(strings.Fields(string(content)), strings.TrimSpace(string(content))) {
				var stat unix.Stat_t
				if !strings.HasPrefix(named, "/dev/") || unix.Stat(named, &stat) != nil {
					continue // a file, which keeps its filesystem busy, or nothing
				}
				if n := (node{kindOf(stat.Mode), devno(stat.Rdev)}); wanted[n] && !slices.Contains(found[n], who) {
					found[n] = append(found[n], who)
				}
			}
		}
	}
	return found, nil
}
