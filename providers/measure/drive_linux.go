package measure

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"github.com/moby/sys/mountinfo"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// mounted finds the filesystem of an open file by its mount: its kind, and the device
// that a kind has which gives files a device number of its own (btrfs).
func (s *system) mounted(fd handle) (kind, source string) {
	id := -1
	for line := range strings.Lines(s.text("filesystem", s.root, "proc/self/fdinfo", strconv.Itoa(fd))) {
		if after, ok := strings.CutPrefix(line, "mnt_id:"); ok { // proc(5)
			id, _ = strconv.Atoi(strings.TrimSpace(after))
		}
	}
	path := filepath.Join(s.root, "proc/self/mountinfo")
	file, err := os.Open(path)
	if err != nil {
		s.gap("filesystem", path, err.Error())
		return "", ""
	}
	defer file.Close()
	list, err := mountinfo.GetMountsFromReader(file, func(m *mountinfo.Info) (skip, stop bool) { return m.ID != id, m.ID == id })
	if err != nil || len(list) == 0 {
		s.gap("filesystem", path, fmt.Sprintf("mount %d is not there", id))
		return "", ""
	}
	return list[0].FSType, list[0].Source
}

// numberOf gives the number of a block device, 0 for anything else.
func numberOf(path string) uint64 {
	var stat unix.Stat_t
	if unix.Stat(path, &stat) != nil || stat.Mode&unix.S_IFMT != unix.S_IFBLK {
		return 0
	}
	return stat.Rdev
}

// mostLayers bounds how deep block devices may lie over each other.
const mostLayers = 16

// drive finds the drive below a block device, and what that and its driver say of
// themselves. It gives the drive's folder in /sys; empty: it is not one drive.
func (s *system) drive(devno uint64, t *speed.Target) string {
	dir, err := filepath.EvalSymlinks(filepath.Join(s.root, "sys/dev/block", fmt.Sprintf("%d:%d", unix.Major(devno), unix.Minor(devno))))
	if err != nil {
		s.gap("drive", "sys/dev/block", fmt.Sprintf("block device %d:%d is not there", unix.Major(devno), unix.Minor(devno)))
		return ""
	}
	for layers := 0; ; layers++ {
		if layers == mostLayers {
			s.gap("drive", dir, fmt.Sprintf("%d devices and more lie over it", mostLayers))
			return ""
		}
		if _, err := os.Stat(filepath.Join(dir, "partition")); err == nil {
			dir = filepath.Dir(dir)
		}
		slaves, _ := os.ReadDir(filepath.Join(dir, "slaves"))
		if len(slaves) == 0 {
			break
		}
		t.Layers = append(t.Layers, s.layer(dir))
		if len(slaves) > 1 {
			s.gap("drive", filepath.Join(dir, "slaves"), fmt.Sprintf("%d drives share the work", len(slaves)))
			return ""
		}
		if dir, err = filepath.EvalSymlinks(filepath.Join(dir, "slaves", slaves[0].Name())); err != nil {
			s.gap("drive", "sys/block", err.Error())
			return ""
		}
	}
	t.Block = speed.Text(filepath.Base(dir))
	s.describe(dir, t)
	return dir
}

// layer names what makes a block device of others: the target of the device mapper
// by whom its identity is from (cryptsetup, LVM, multipath write their names first),
// or the level of an array.
func (s *system) layer(dir string) string {
	if level := s.text("layer", dir, "md/level"); level != "" {
		return speed.Text(level)
	}
	maker, _, _ := strings.Cut(s.text("layer", dir, "dm/uuid"), "-")
	if maker == "" {
		return "unknown"
	}
	return speed.Text(strings.ToLower(maker))
}

// describe asks a drive and its driver (Linux Documentation/ABI: sysfs-block,
// sysfs-class-nvme; of SCSI sysfs-block-device, and SPC-5 7.7.16 for the serial).
func (s *system) describe(dir string, t *speed.Target) {
	device := filepath.Join(dir, "device")
	first := func(fact string, names ...string) string {
		for _, name := range names {
			if text := s.text(fact, dir, name); text != "" {
				return speed.Text(text)
			}
		}
		return ""
	}
	t.Drive = speed.Drive{
		Model:       first("model", "device/model", "device/name"),
		Serial:      first("serial", "serial", "device/serial"),
		Firmware:    first("firmware", "device/firmware_rev", "device/rev", "device/fwrev"),
		SizeBytes:   s.number("size", dir, "size") * 512,
		SectorBytes: s.number("sector", dir, "queue/logical_block_size"),
	}
	if page := s.text("serial", device, "vpd_pg80"); t.Drive.Serial == "" && len(page) > 4 {
		t.Drive.Serial = speed.Text(strings.Trim(page[4:], " \x00"))
	}
	if vendor := s.text("model", device, "vendor"); vendor != "" && vendor != "ATA" && !strings.HasPrefix(vendor, "0x") {
		t.Drive.Model = speed.Text(vendor + " " + t.Drive.Model)
	}
	if t.Drive.Model == "" && t.Drive.Serial == "" {
		s.gap("drive", dir, "it says neither model nor serial")
	}
	s.driver(dir, t)
}

// firstPath gives the device of the first controller of an NVMe subsystem, beside
// which its namespaces lie, or the subsystem.
func firstPath(subsystem string) string {
	entries, _ := os.ReadDir(subsystem)
	for _, e := range entries {
		if controller().MatchString(e.Name()) {
			if device, err := filepath.EvalSymlinks(filepath.Join(subsystem, e.Name(), "device")); err == nil {
				return device
			}
		}
	}
	return subsystem
}

var controller = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^nvme[0-9]+$`) })

var ataPort = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`/ata[0-9]+/`) })

// driver finds the driver of the drive's controller: the nearest device above the
// drive that is on a bus of controllers.
func (s *system) driver(dir string, t *speed.Target) {
	real, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
	if err != nil {
		s.gap("driver", filepath.Join(dir, "device"), "there is no controller")
		return
	}
	if strings.Contains(real, "/nvme-subsystem/") { // with several paths: all have the same driver
		t.Drive.Bus, real = "nvme", firstPath(real)
	}
	for ; len(real) > len(s.root); real = filepath.Dir(real) {
		bus, _ := os.Readlink(filepath.Join(real, "subsystem"))
		driver, _ := os.Readlink(filepath.Join(real, "driver"))
		switch bus = filepath.Base(bus); {
		case t.Drive.Bus == "" && ataPort().MatchString(real):
			t.Drive.Bus = "sata"
		case t.Drive.Bus == "" && (bus == "nvme" || bus == "virtio" || bus == "usb" || bus == "mmc" || bus == "scsi" && !strings.Contains(real, "/virtio") && !strings.Contains(real, "/usb")):
			t.Drive.Bus = bus
		}
		if driver != "" && bus != "scsi" && bus != "mmc" && bus != "nvme" {
			t.Driver = speed.Text(filepath.Base(driver))
			t.DriverVersion = speed.Text(s.text("driver version", real, "driver/module/version"))
			return
		}
	}
	s.gap("driver", filepath.Join(dir, "device"), "no controller with a driver is above it")
}

// temperature gives what the drive's own sensor tells, in degrees; nil without one
// (Linux Documentation/hwmon/sysfs-interface: thousandths of a degree).
func (s *system) temperature(dir string) *int {
	for _, pattern := range []string{"device/hwmon*/temp1_input", "device/hwmon/hwmon*/temp1_input", "device/device/hwmon/hwmon*/temp1_input"} {
		found, _ := filepath.Glob(filepath.Join(dir, pattern))
		for _, path := range found {
			if s.text("temperature", path) != "" {
				degrees := int(s.number("temperature", path) / 1000)
				return &degrees
			}
		}
	}
	return nil
}

// busy gives for how many milliseconds the drive was not idle so far, the tenth field
// (Linux Documentation/block/stat.rst); without a drive 0.
func (s *system) busy(dir string) int64 {
	if dir == "" {
		return 0
	}
	fields := strings.Fields(s.text("drive's load", dir, "stat"))
	if len(fields) < 10 {
		return 0
	}
	ms, _ := strconv.ParseInt(fields[9], 10, 64)
	return ms
}
