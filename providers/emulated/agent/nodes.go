package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// node is a device that a module stands behind which is loaded when the device
// is first opened.
type node struct {
	name         string // below /dev
	mode         uint32
	major, minor uint32
}

// staticNodes reads modules.devname: "MODULE NAME cMAJOR:MINOR". On other hosts
// systemd makes these (kmod-static-nodes.service); without /dev/vfio/vfio
// libvirt says that the host cannot lend at all.
func staticNodes(text string) ([]node, error) {
	var nodes []node
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		var module string
		var kind rune
		n := node{mode: 0o600}
		if _, err := fmt.Sscanf(line, "%s %s %c%d:%d", &module, &n.name, &kind, &n.major, &n.minor); err != nil {
			return nil, fmt.Errorf("read modules.devname line %q: %w", strings.TrimSpace(line), err)
		}
		n.mode |= unix.S_IFCHR
		if kind == 'b' {
			n.mode = n.mode&^unix.S_IFMT | unix.S_IFBLK
		}
		nodes = append(nodes, n)
	}
	return nodes, nil
}

// makeNodes makes the static nodes of the running kernel.
func makeNodes() error {
	var running unix.Utsname
	if err := unix.Uname(&running); err != nil {
		return fmt.Errorf("ask the kernel's release: %w", err)
	}
	release := unix.ByteSliceToString(running.Release[:])
	text, err := os.ReadFile(filepath.Join("/usr/lib/modules", release, "modules.devname"))
	if err != nil {
		return fmt.Errorf("make static nodes: %w", err)
	}
	nodes, err := staticNodes(string(text))
	if err != nil {
		return err
	}
	for _, n := range nodes {
		name := filepath.Join("/dev", n.name)
		if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
			return fmt.Errorf("make static nodes: %w", err)
		}
		err := unix.Mknod(name, n.mode, int(unix.Mkdev(n.major, n.minor)))
		if err != nil && !errors.Is(err, unix.EEXIST) {
			return fmt.Errorf("make %s: %w", name, err)
		}
	}
	return nil
}
