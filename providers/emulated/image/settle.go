package image

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// accounts are those that the packages' scripts would add: QEMU runs under the
// first (Debian reserves 64055 for it), and udev's rules name the groups.
const accounts = "libvirt-qemu:x:64055:104:Libvirt Qemu:/var/lib/libvirt:/usr/sbin/nologin\n"

var groups = []string{"input", "sgx", "kvm", "render", "libvirt", "libvirt-qemu"}

// firstGroup is chosen so that kvm gets 104, the account's group above.
const firstGroup = 102

// settle does what the maintainer scripts of a few packages would have done,
// and writes the few files that no package holds.
func settle(ctx context.Context, root string) error {
	masters := filepath.Join(root, "usr/share/base-passwd")
	passwd, err := os.ReadFile(filepath.Join(masters, "passwd.master"))
	if err != nil {
		return fmt.Errorf("settle root: %w", err)
	}
	group, err := os.ReadFile(filepath.Join(masters, "group.master"))
	if err != nil {
		return fmt.Errorf("settle root: %w", err)
	}
	var lines strings.Builder
	for i, name := range groups {
		fmt.Fprintf(&lines, "%s:x:%d:\n", name, firstGroup+i)
	}
	files := map[string]string{
		"etc/passwd":        string(passwd) + accounts,
		"etc/group":         string(group) + lines.String(),
		"etc/nsswitch.conf": "passwd: files\ngroup: files\nhosts: files\n",
		"etc/hosts":         "127.0.0.1 localhost\n",
		"etc/hostname":      "larch\n",
		"etc/machine-id":    "0f1e2d3c4b5a69788796a5b4c3d2e1f0\n", // libvirt wants one; the same each time, as everything here
		"etc/fstab":         "",
		// QEMU's firmware tables hold no host UUID, and one made up anew each
		// boot would be in every capture.
		"etc/libvirt/libvirtd.conf": "host_uuid = \"0f1e2d3c-4b5a-4978-8796-a5b4c3d2e1f0\"\n",
	}
	for name, content := range files {
		if err := write(filepath.Join(root, name), content); err != nil {
			return fmt.Errorf("settle root: %w", err)
		}
	}
	for _, name := range []string{"dev", "proc", "sys", "run", "tmp", "var/log/libvirt", "var/lib/libvirt/images", "srv", "mnt"} {
		if err := os.MkdirAll(filepath.Join(root, name), 0o755); err != nil {
			return fmt.Errorf("settle root: %w", err)
		}
	}
	return indexModules(ctx, root)
}

func write(name, content string) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return err
	}
	return os.WriteFile(name, []byte(content), 0o644)
}

// release finds the kernel's release by the one folder of modules.
func release(root string) (string, error) {
	found, err := filepath.Glob(filepath.Join(root, "usr/lib/modules/*"))
	if err != nil || len(found) != 1 {
		return "", fmt.Errorf("find kernel: %d folders of modules under %s", len(found), root)
	}
	return filepath.Base(found[0]), nil
}

// indexModules runs the image's own depmod through the image's own loader, as
// the machine that builds may have neither.
func indexModules(ctx context.Context, root string) error {
	kernel, err := release(root)
	if err != nil {
		return err
	}
	libraries := filepath.Join(root, "usr/lib/x86_64-linux-gnu")
	_, err = run(ctx, "", filepath.Join(libraries, "ld-linux-x86-64.so.2"), "--library-path", libraries,
		"--argv0", "depmod", filepath.Join(root, "usr/bin/kmod"), "-b", root, kernel)
	if err != nil {
		return fmt.Errorf("index modules: %w", err)
	}
	return nil
}
