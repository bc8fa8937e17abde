package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// ownWord is the word of the kernel's command line that gives the serial of
// the drive the host runs from.
const ownWord = "emuhost.own="

// enterRoot loads what the root filesystem needs, finds it by the drive's
// serial (names depend on the order of probing) and makes it the root.
func enterRoot() error {
	for _, mount := range []struct{ kind, at string }{{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}} {
		if err := unix.Mount(mount.kind, mount.at, mount.kind, 0, ""); err != nil && err != unix.EBUSY {
			return fmt.Errorf("mount %s: %w", mount.at, err)
		}
	}
	if err := loadModules("/modules"); err != nil {
		return err
	}
	serial, err := kernelWord(ownWord)
	if err != nil {
		return err
	}
	device, err := partitionOf(serial, 20*time.Second)
	if err != nil {
		return err
	}
	if err := unix.Mount(device, "/root", "ext4", unix.MS_NOATIME, ""); err != nil {
		return fmt.Errorf("mount %s as root: %w", device, err)
	}
	return switchTo("/root")
}

// switchTo does what switch_root(8) does: the mounts move along, then the new
// root is moved over the old one, which cannot be unmounted.
func switchTo(root string) error {
	for _, at := range []string{"/proc", "/sys", "/dev"} {
		if err := unix.Mount(at, root+at, "", unix.MS_MOVE, ""); err != nil {
			return fmt.Errorf("move %s: %w", at, err)
		}
	}
	if err := unix.Chdir(root); err != nil {
		return fmt.Errorf("enter root: %w", err)
	}
	if err := unix.Mount(".", "/", "", unix.MS_MOVE, ""); err != nil {
		return fmt.Errorf("move root: %w", err)
	}
	if err := unix.Chroot("."); err != nil {
		return fmt.Errorf("enter root: %w", err)
	}
	return unix.Chdir("/")
}

// loadModules loads every module of a folder in the order of its names.
func loadModules(folder string) error {
	files, err := filepath.Glob(filepath.Join(folder, "*.ko"))
	if err != nil {
		return fmt.Errorf("load modules: %w", err)
	}
	for _, name := range files {
		file, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("load module: %w", err)
		}
		err = unix.FinitModule(int(file.Fd()), "", 0)
		file.Close()
		if err != nil && err != unix.EEXIST {
			return fmt.Errorf("load module %s: %w", filepath.Base(name), err)
		}
	}
	return nil
}

// kernelWord finds the rest of the first word of the command line that starts
// with a prefix.
func kernelWord(prefix string) (string, error) {
	line, err := os.ReadFile("/proc/cmdline")
	if err != nil {
		return "", fmt.Errorf("read command line: %w", err)
	}
	for word := range strings.FieldsSeq(string(line)) {
		if rest, found := strings.CutPrefix(word, prefix); found {
			return rest, nil
		}
	}
	return "", fmt.Errorf("read command line: no word %s", prefix)
}

// partitionOf waits for the first partition of the NVMe drive with a serial.
func partitionOf(serial string, within time.Duration) (string, error) {
	for end := time.Now().Add(within); ; time.Sleep(20 * time.Millisecond) {
		names, err := filepath.Glob("/sys/class/nvme/*/serial")
		if err != nil {
			return "", fmt.Errorf("find own drive: %w", err)
		}
		for _, name := range names {
			content, err := os.ReadFile(name)
			// The kernel pads serials with spaces to their 20 characters.
			if err != nil || strings.TrimSpace(string(content)) != serial {
				continue
			}
			device := "/dev/" + filepath.Base(filepath.Dir(name)) + "n1p1"
			if _, err := os.Stat(device); err == nil {
				return device, nil
			}
		}
		if time.Now().After(end) {
			return "", fmt.Errorf("find own drive: no NVMe drive %q with a partition after %s", serial, within)
		}
	}
}
