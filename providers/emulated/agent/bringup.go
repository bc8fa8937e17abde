package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// mounts are those that a host has besides its root.
var mounts = []struct{ kind, at, options string }{
	{"devpts", "/dev/pts", "gid=5,mode=620"},
	{"tmpfs", "/dev/shm", "mode=1777"},
	{"tmpfs", "/run", "mode=755"},
	{"tmpfs", "/tmp", "mode=1777"},
	{"cgroup2", "/sys/fs/cgroup", ""},
	{"hugetlbfs", "/dev/hugepages", ""},
}

// daemons are started in this order, each returning once it runs by itself.
// udevd loads drivers and makes the links by serial; libvirt listens to it.
var daemons = [][]string{
	{"/lib/systemd/systemd-udevd", "--daemon"},
	{"udevadm", "trigger", "--type=subsystems", "--action=add"},
	{"udevadm", "trigger", "--type=devices", "--action=add"},
	{"udevadm", "settle", "--timeout=120"},
	{"virtlogd", "--daemon"},
	{"libvirtd", "--daemon"},
}

const libvirtSocket = "/run/libvirt/libvirt-sock"

// bringUp makes a host of the bare root: mounts, udev, libvirt.
func bringUp() error {
	for _, mount := range mounts {
		if err := os.MkdirAll(mount.at, 0o755); err != nil {
			return fmt.Errorf("mount %s: %w", mount.at, err)
		}
		if err := unix.Mount(mount.kind, mount.at, mount.kind, 0, mount.options); err != nil {
			return fmt.Errorf("mount %s: %w", mount.at, err)
		}
	}
	if err := unix.Sethostname([]byte("larch")); err != nil {
		return fmt.Errorf("name host: %w", err)
	}
	if err := os.MkdirAll("/run/lock", 0o755); err != nil {
		return fmt.Errorf("make /run/lock: %w", err)
	}
	if err := makeNodes(); err != nil {
		return err
	}
	for _, argv := range daemons {
		command := exec.Command(argv[0], argv[1:]...)
		command.Stdout, command.Stderr = os.Stdout, os.Stderr
		if err := command.Run(); err != nil {
			return fmt.Errorf("run %s: %w", strings.Join(argv, " "), err)
		}
		report("%s after %.1f s", strings.Join(argv, " "), uptime())
	}
	return await(libvirtSocket, time.Minute)
}

// await waits until somebody listens on a unix socket.
func await(socket string, within time.Duration) error {
	for end := time.Now().Add(within); ; time.Sleep(50 * time.Millisecond) {
		conn, err := net.Dial("unix", socket)
		if err == nil {
			return conn.Close()
		}
		if time.Now().After(end) {
			return fmt.Errorf("wait for %s: %w", socket, err)
		}
	}
}

func uptime() float64 {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &now); err != nil {
		return 0
	}
	return float64(now.Nano()) / 1e9
}

// channel finds the character device of a named virtio-serial port.
func channel(port string) (string, error) {
	names, err := filepath.Glob("/sys/class/virtio-ports/*/name")
	if err != nil {
		return "", fmt.Errorf("find channel: %w", err)
	}
	for _, name := range names {
		content, err := os.ReadFile(name)
		if err == nil && strings.TrimSpace(string(content)) == port {
			return "/dev/" + filepath.Base(filepath.Dir(name)), nil
		}
	}
	return "", fmt.Errorf("find channel: no virtio-serial port %s among %d", port, len(names))
}
