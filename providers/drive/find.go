package drive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// Device is where the kernel has a drive at the moment.
type Device struct {
	Name  string // the kernel's
	Node  string // path of its device node
	Devno facts.Devno
	// SectorBytes is for a regular file that stands in for a drive in tests:
	// such a file has none of its own. Zero demands a block device.
	SectorBytes uint64
}

// Finder finds a drive by what it is. It is asked anew for every deed, as
// kernel names move.
type Finder func(facts.Drive) (Device, error)

// childName is a namespace at its controller, or a hidden path to one (kernel:
// drivers/nvme/host/core.c and multipath.c, nvme_mpath_set_disk_name).
var childName = regexp.MustCompile(`^(nvme\d+)(?:c\d+)?(n\d+)$`)

// FindNVMe gives the finder of NVMe namespaces: by the serial number that their
// controller gives of itself, and their number there (kernel:
// drivers/nvme/host/sysfs.c, nvme_dev_attrs and nvme_ns_attrs).
func FindNVMe(root string) Finder {
	return func(d facts.Drive) (Device, error) {
		found, err := namespaces(root, d)
		switch {
		case err != nil:
			return Device{}, fmt.Errorf("find drive %s: %w", d.Serial, err)
		case len(found) == 0:
			return Device{}, fmt.Errorf("find drive %s: no NVMe controller of the host has that serial and a namespace %d", d.Serial, d.Namespace)
		case len(found) > 1:
			return Device{}, fmt.Errorf("find drive %s: %s all have that serial and a namespace %d", d.Serial, strings.Join(found, ", "), d.Namespace)
		}
		device := Device{Name: found[0], Node: filepath.Join(root, "dev", found[0])}
		if device.Devno, err = devnoOf(root, device.Name); err != nil {
			return Device{}, fmt.Errorf("find drive %s: %w", d.Serial, err)
		}
		return device, nil
	}
}

// namespaces gives the kernel names of all that fit, each once: several
// controllers of one drive lead to the same namespace.
func namespaces(root string, d facts.Drive) ([]string, error) {
	class := filepath.Join(root, "sys/class/nvme")
	controllers, err := os.ReadDir(class)
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(d.Serial) == "" {
		return nil, errors.New("a blank serial tells no drive from another")
	}
	var found []string
	for _, c := range controllers {
		dir := filepath.Join(class, c.Name())
		serial, err := os.ReadFile(filepath.Join(dir, "serial"))
		if errors.Is(err, fs.ErrNotExist) {
			continue // it is just going away
		}
		if err != nil {
			return nil, err // it may be a second one of that serial
		}
		if strings.TrimSpace(string(serial)) != d.Serial {
			continue
		}
		children, err := os.ReadDir(dir)
		if err != nil {
			return nil, err
		}
		for _, child := range children {
			parts := childName.FindStringSubmatch(child.Name())
			if parts == nil {
				continue
			}
			id, err := number(filepath.Join(dir, child.Name(), "nsid"))
			if err != nil {
				return nil, err
			}
			if name := parts[1] + parts[2]; id == uint64(d.Namespace) && !slices.Contains(found, name) {
				found = append(found, name)
			}
		}
	}
	return found, nil
}

func number(path string) (uint64, error) {
	content, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	value, err := strconv.ParseUint(strings.TrimSpace(string(content)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("read %s: %w", path, err)
	}
	return value, nil
}

func devnoOf(root, name string) (facts.Devno, error) {
	content, err := os.ReadFile(filepath.Join(root, "sys/class/block", name, "dev"))
	if err != nil {
		return facts.Devno{}, err
	}
	return facts.ParseDevno(strings.TrimSpace(string(content)))
}

// partition is one that the kernel has made of a drive.
type partition struct {
	name       string
	devno      facts.Devno
	start, end uint64 // in units of 512 bytes, as sysfs counts whatever the sector; end exclusive
}

// partitions gives what the kernel has made of a drive's table.
func partitions(root, name string) ([]partition, error) {
	dir := filepath.Join(root, "sys/class/block", name)
	children, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var list []partition
	for _, child := range children {
		inner := filepath.Join(dir, child.Name())
		if _, err := os.Stat(filepath.Join(inner, "partition")); err != nil {
			continue // another directory, such as queue
		}
		p := partition{name: child.Name()}
		if p.devno, err = devnoOf(root, p.name); err != nil {
			return nil, err
		}
		if p.start, err = number(filepath.Join(inner, "start")); err != nil {
			return nil, err
		}
		size, err := number(filepath.Join(inner, "size"))
		if err != nil {
			return nil, err
		}
		p.end = p.start + size
		list = append(list, p)
	}
	return list, nil
}
