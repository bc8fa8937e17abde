package main

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"lendkeep/providers/emulated"
)

// roots are the parts of the file system that say what hardware there is, who
// drives it and who uses it.
var roots = []string{
	"/sys/devices/pci0000:00", "/sys/devices/virtual/block", "/sys/devices/virtual/iommu", "/sys/devices/virtual/nvme-subsystem",
	"/sys/bus/pci", "/sys/block", "/sys/devices/system/cpu", "/sys/devices/system/node", "/sys/kernel/iommu_groups", "/sys/kernel/mm/hugepages", "/sys/fs/btrfs",
	"/sys/class/block", "/sys/class/iommu", "/sys/class/net", "/sys/class/nvme", "/sys/class/nvme-subsystem", "/sys/class/vfio",
	"/proc/cmdline", "/proc/cpuinfo", "/proc/interrupts", "/proc/iomem", "/proc/mdstat", "/proc/meminfo", "/proc/modules",
	"/proc/partitions", "/proc/swaps", "/proc/version", "/proc/self/mountinfo", "/proc/sys/kernel/hostname",
	"/run/udev/data", "/run/udev/links", "/dev/disk", "/etc/modprobe.d", "/usr/lib/modprobe.d", "/etc/fstab",
}

// trees writes what a running host looks like to a folder that is not there
// yet: its own files (sys, proc, run, dev, etc), what libvirt says (libvirt)
// and what other programs say of the same moment (cmd), to hold ours against.
func trees(ctx context.Context, host *emulated.Host, folder string) error {
	if err := os.Mkdir(folder, 0o755); err != nil {
		return fmt.Errorf("capture host: %w", err)
	}
	packed, err := host.Trees(ctx, roots...)
	if err != nil {
		return err
	}
	if err := untar(folder, packed); err != nil {
		return fmt.Errorf("capture host: %w", err)
	}
	if err := captureLibvirt(ctx, host, filepath.Join(folder, "libvirt")); err != nil {
		return fmt.Errorf("capture libvirt: %w", err)
	}
	if err := captureAnswers(ctx, host, filepath.Join(folder, "cmd")); err != nil {
		return fmt.Errorf("capture answers: %w", err)
	}
	return nil
}

// untar lays an archive out. os.Root keeps it inside the folder, whatever the
// links in it point at.
func untar(folder string, packed []byte) error {
	root, err := os.OpenRoot(folder)
	if err != nil {
		return err
	}
	defer root.Close()
	for archive := tar.NewReader(bytes.NewReader(packed)); ; {
		header, err := archive.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		name := filepath.Clean(header.Name)
		if err := root.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		switch header.Typeflag {
		case tar.TypeDir:
			err = root.MkdirAll(name, 0o755)
		case tar.TypeSymlink:
			err = root.Symlink(header.Linkname, name)
		default:
			var content []byte
			if content, err = io.ReadAll(archive); err == nil {
				err = root.WriteFile(name, content, 0o644)
			}
		}
		if err != nil {
			return err
		}
	}
}

// captureLibvirt keeps capabilities, node devices, guests, and whom was asked.
func captureLibvirt(ctx context.Context, host *emulated.Host, folder string) error {
	devices, err := say(ctx, host, "virsh", "nodedev-list")
	if err != nil {
		return err
	}
	names := strings.Fields(devices)
	// One virsh for all: starting one takes longer than its answer.
	dumps, err := say(ctx, host, "virsh", "nodedev-dumpxml "+strings.Join(names, "; nodedev-dumpxml "))
	if err != nil {
		return err
	}
	whole := deviceXML.FindAllString(dumps, -1)
	if len(whole) != len(names) {
		return fmt.Errorf("%d node devices, but %d descriptions", len(names), len(whole))
	}
	files := map[string]string{}
	for i, name := range names {
		files["nodedev/"+name+".xml"] = whole[i] + "\n"
	}
	for name, command := range map[string]string{"capabilities.xml": "capabilities", "uri": "uri", "version": "--version"} {
		if files[name], err = say(ctx, host, "virsh", command); err != nil {
			return err
		}
	}
	return errors.Join(addGuests(ctx, host, files), writeAll(folder, files))
}

// deviceXML is one description in the run of them; libvirt indents all but the
// outermost element.
var deviceXML = regexp.MustCompile(`(?ms)^<device>.*?^</device>`)

func addGuests(ctx context.Context, host *emulated.Host, files map[string]string) error {
	for suffix, arguments := range map[string][2][]string{
		"inactive": {{"--all", "--persistent"}, {"--inactive"}},
		"live":     {{}, {}},
	} {
		list, err := say(ctx, host, append([]string{"virsh", "list", "--name"}, arguments[0]...)...)
		if err != nil {
			return err
		}
		for _, name := range strings.Fields(list) {
			file := "dom/" + name + "." + suffix + ".xml"
			if files[file], err = say(ctx, host, append([]string{"virsh", "dumpxml", name}, arguments[1]...)...); err != nil {
				return err
			}
		}
	}
	return nil
}

// captureAnswers keeps what programs that read the same kernel say.
func captureAnswers(ctx context.Context, host *emulated.Host, folder string) error {
	commands := map[string]string{
		"lspci-vvv.txt": "lspci -D -nn -vvv", "lspci-xxxx.txt": "lspci -D -xxxx", "lsblk.json": "lsblk -O -J",
		"blkid.txt": "blkid", "nvme-list.json": "nvme list -o json", "dmesg.txt": "dmesg",
	}
	found, err := say(ctx, host, "bash", "-c", "cd /sys/class/block && ls -d nvme*n[0-9]")
	if err != nil {
		return err
	}
	for namespace := range strings.FieldsSeq(found) {
		controller := namespace[:strings.LastIndexByte(namespace, 'n')]
		commands["id-ctrl-"+controller+".json"] = "nvme id-ctrl /dev/" + controller + " -o json"
		commands["id-ns-"+namespace+".json"] = "nvme id-ns /dev/" + namespace + " -o json"
		commands["sgdisk-"+namespace+".txt"] = "sgdisk --print /dev/" + namespace
	}
	files := map[string]string{}
	for name, command := range commands {
		if files[name], err = say(ctx, host, strings.Fields(command)...); err != nil {
			return err
		}
	}
	return writeAll(folder, files)
}

// say runs a command that must succeed and gives its output.
func say(ctx context.Context, host *emulated.Host, argv ...string) (string, error) {
	result, err := host.Run(ctx, argv...)
	if err != nil {
		return "", err
	}
	return result.Stdout, result.Err()
}

func writeAll(folder string, files map[string]string) error {
	for name, content := range files {
		name = filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(name, []byte(content), 0o644); err != nil {
			return err
		}
	}
	return nil
}
