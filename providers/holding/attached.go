package holding

import (
	"fmt"
	"os"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// characterDir has a link for each character device, by its number
// (Documentation/ABI/testing/sysfs-dev).
const characterDir = "/sys/dev/char"

// below is a character device below a function.
type below struct {
	function    facts.Address
	node        node
	name, class string
}

// listened is the class of keyboards, mice and power buttons: what has one open
// (every login manager has) listens, and loses nothing by its going.
const listened = "input"

// characters finds every character device below functions: of whatever other
// class, whoever has one open uses the function.
func characters(s *facts.Survey, of map[facts.Address]bool) ([]below, error) {
	entries, err := os.ReadDir(characterDir)
	if err != nil {
		return nil, fmt.Errorf("list character devices: %w", err)
	}
	var list []below
	for _, e := range entries {
		dir, err := target(characterDir, e.Name())
		if vanished(err) {
			continue
		}
		if err != nil {
			return list, fmt.Errorf("find character device %s: %w", e.Name(), err)
		}
		for _, at := range functionsOf(s, dir) {
			if !of[at] {
				continue
			}
			number, err := facts.ParseDevno(e.Name())
			if err != nil {
				return list, fmt.Errorf("find character device %s: %w", e.Name(), err)
			}
			class, _ := os.Readlink(path.Join(dir, "subsystem"))
			if path.Base(class) == listened {
				continue
			}
			list = append(list, below{at, node{character, number}, path.Base(dir), path.Base(class)})
		}
	}
	return list, nil
}

// target gives where a link of the kernel's own leads.
func target(dir, name string) (string, error) {
	to, err := os.Readlink(path.Join(dir, name))
	return path.Join(dir, to), err
}

// functionsOf gives the functions that a device hangs on. A namespace with
// several paths hangs on a subsystem of no function, as does its character
// device, ng0n1 beside nvme0n1 (Linux drivers/nvme/host/multipath.c): it goes
// with the functions of its block device.
func functionsOf(s *facts.Survey, dir string) []facts.Address {
	if at := facts.NearestFunction(dir); at != nil {
		return []facts.Address{*at}
	}
	name, generic := strings.CutPrefix(path.Base(dir), "ng")
	if !generic || !strings.Contains(dir, "/nvme-subsystem/") {
		return nil
	}
	var list []facts.Address
	for _, b := range s.Blocks {
		if b.Controller != nil && (b.Name == "nvme"+name || hiddenPath(b) && slices.Contains(b.Holders, "nvme"+name)) {
			list = append(list, *b.Controller)
		}
	}
	return list
}

// harmless are the classes of which a device by itself says nothing of a use:
// those whose users show as block devices, network interfaces or openers of
// character devices, and mere attributes and sensors. Of every other class there
// may be users inside the kernel that no list has (from memory; Linux
// drivers/*, class_register).
var harmless = map[string]bool{
	"block": true, "nvme": true, "nvme-generic": true, "nvme-subsystem": true, "bdi": true, "bsg": true,
	"scsi_host": true, "scsi_device": true, "scsi_disk": true, "scsi_generic": true, "scsi_tape": true, "scsi_changer": true, "enclosure": true,
	"ata_port": true, "ata_link": true, "ata_device": true, "mmc_host": true,
	"sas_host": true, "sas_phy": true, "sas_port": true, "sas_end_device": true, "sas_device": true, "sas_expander": true, "raid_devices": true,
	"fc_host": true, "fc_remote_ports": true, "fc_transport": true, "fc_vports": true, "spi_host": true, "spi_transport": true,
	"net": true, "mdio_bus": true, "phy": true, "ieee80211": true, "rfkill": true, "ptp": true, "pps": true, "bluetooth": true, "wwan": true,
	"hwmon": true, "leds": true, "thermal": true, "power_supply": true, "backlight": true, "wakeup": true, "pci_bus": true, "devcoredump": true,
	"drm": true, "graphics": true, "drm_dp_aux_dev": true, "i2c-adapter": true, "i2c-dev": true, "sound": true, "accel": true, "cec": true,
	"input": true, "hidraw": true, "usbmisc": true, "usb_device": true, "video4linux": true, "dvb": true, "rc": true, "lirc": true, "tty": true, "printer": true,
	"misc": true, "mem": true, "mei": true, "watchdog": true, "rtc": true, "tpm": true, "tpmrm": true, "virtio-ports": true, "vfio-dev": true,
}

// strange finds what hangs below functions of a class that is not among the
// harmless ones: something may use it.
func strange(of map[facts.Address]bool) (map[facts.Address][]facts.Attached, error) {
	const root = "/sys/class"
	classes, err := os.ReadDir(root)
	if err != nil {
		return nil, fmt.Errorf("list classes of devices: %w", err)
	}
	found := map[facts.Address][]facts.Attached{}
	for _, class := range classes {
		if harmless[class.Name()] {
			continue
		}
		dir := path.Join(root, class.Name())
		devices, err := os.ReadDir(dir)
		if err != nil {
			return nil, fmt.Errorf("list devices of class %s: %w", class.Name(), err)
		}
		for _, d := range devices {
			if d.Type()&os.ModeSymlink == 0 {
				continue // an attribute of the class
			}
			real, err := target(dir, d.Name())
			if err != nil && !vanished(err) {
				return nil, fmt.Errorf("find device %s of class %s: %w", d.Name(), class.Name(), err)
			}
			if at := facts.NearestFunction(real); at != nil && of[*at] {
				found[*at] = append(found[*at], facts.Attached{Name: d.Name(), Class: class.Name()})
			}
		}
	}
	return found, nil
}
