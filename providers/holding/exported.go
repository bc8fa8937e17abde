package holding

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

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
	"target/core/*/*/info",      // what is served, in words: File: /dev/sdb (target_core_file.c, fd_show_configfs_dev_params), or where it is (atPlace)
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
			for _, n := range atPlace(string(content)) {
				if wanted[n] && !slices.Contains(found[n], who) {
					found[n] = append(found[n], who)
				}
			}
			for _, named := range append(strings.Fields(string(content)), strings.TrimSpace(string(content))) {
				var stat unix.Stat_t
				if !strings.HasPrefix(named, "/dev/") || unix.Stat(named, &stat) != nil {
					continue // a file, which keeps its filesystem busy, or nothing
				}
				if n := (node{kind: kindOf(stat.Mode), at: devno(stat.Rdev)}); wanted[n] && !slices.Contains(found[n], who) {
					found[n] = append(found[n], who)
				}
			}
		}
	}
	return found, nil
}

// scsiDevices has a folder for each SCSI device, HOST:CHANNEL:TARGET:LUN (Linux
// Documentation/scsi/scsi_mid_low_api.rst). Tests have another.
var scsiDevices = "/sys/bus/scsi/devices"

// scsiPlace is how a SCSI device is named that is passed on as it is, a tape or a disk
// (Linux drivers/target/target_core_pscsi.c, pscsi_show_configfs_dev_params). Where its
// host is a whole adapter's ("PHBA Mode") no number is told, and it may be any one.
var scsiPlace = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`Channel ID: (\d+) Target ID: (\d+) LUN: (\d+) Host ID: (\d*)`)
})

// atPlace gives the nodes of the SCSI devices that such words mean.
func atPlace(words string) []node {
	var list []node
	for _, at := range scsiPlace().FindAllStringSubmatch(words, -1) {
		host := at[4]
		if host == "" {
			host = "*"
		}
		place := host + ":" + strings.Join(at[1:4], ":")
		files, _ := filepath.Glob(filepath.Join(scsiDevices, place, "*", "*", "dev")) // the pattern is sound
		for _, file := range files {
			content, err := os.ReadFile(file)
			number, errNumber := facts.ParseDevno(strings.TrimSpace(string(content)))
			if err != nil || errNumber != nil {
				continue // it is gone
			}
			n := node{kind: character, at: number}
			if filepath.Base(filepath.Dir(filepath.Dir(file))) == "block" {
				n.kind = block
			}
			list = append(list, n)
		}
	}
	return list
}
