package image

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"golang.org/x/sync/errgroup"
)

// links are the folders that are links on a system with merged /usr (Debian 12
// supports no other layout) and /run. Packages still ship files under them.
var links = map[string]string{
	"bin": "usr/bin", "sbin": "usr/sbin", "lib": "usr/lib", "lib64": "usr/lib64",
	"var/run": "run", "var/lock": "run/lock",
}

// leftOut keeps the image small: what only people read, and modules for
// hardware that QEMU does not emulate.
var leftOut = []string{
	"./usr/share/doc/*", "./usr/share/man/*", "./usr/share/locale/*", "./usr/share/info/*",
	"./usr/share/perl*", "./usr/lib/x86_64-linux-gnu/perl*", "./usr/lib/python3*", "./usr/share/iso-codes/*",
	"./boot/System.map*",
	"./lib/modules/*/kernel/sound/*", "./lib/modules/*/kernel/drivers/gpu/*", "./lib/modules/*/kernel/drivers/media/*",
	"./lib/modules/*/kernel/drivers/infiniband/*", "./lib/modules/*/kernel/drivers/staging/*",
	"./lib/modules/*/kernel/drivers/net/wireless/*", "./lib/modules/*/kernel/drivers/net/usb/*",
	"./lib/modules/*/kernel/drivers/net/ethernet/[a-hj-z]*", "./lib/modules/*/kernel/drivers/iio/*",
	"./lib/modules/*/kernel/drivers/hwmon/*", "./lib/modules/*/kernel/drivers/input/*",
}

// unpack lays the files of all packages into root. No maintainer script runs,
// which is what makes this a matter of seconds; settle does by hand what a
// few of them would have done.
func unpack(ctx context.Context, root, debs string, packages []Package) error {
	for name, target := range links {
		if err := link(root, name, target); err != nil {
			return fmt.Errorf("unpack packages: %w", err)
		}
	}
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(2)
	for _, p := range packages {
		group.Go(func() error { return unpackOne(ctx, root, filepath.Join(debs, p.File)) })
	}
	if err := group.Wait(); err != nil {
		return fmt.Errorf("unpack packages: %w", err)
	}
	return nil
}

// unpackOne is dpkg-deb --extract but for two things it cannot do: keep the
// merged folders' links and leave files out.
func unpackOne(ctx context.Context, root, deb string) error {
	arguments := []string{"--extract", "--keep-directory-symlink", "--no-same-owner", "--directory", root}
	for _, pattern := range leftOut {
		arguments = append(arguments, "--exclude="+pattern)
	}
	from := exec.CommandContext(ctx, "dpkg-deb", "--fsys-tarfile", deb)
	into := exec.CommandContext(ctx, "tar", arguments...)
	var said bytes.Buffer
	from.Stderr, into.Stderr = &said, &said
	pipe, err := from.StdoutPipe()
	if err != nil {
		return fmt.Errorf("open %s: %w", filepath.Base(deb), err)
	}
	into.Stdin = pipe
	if err := from.Start(); err != nil {
		return fmt.Errorf("open %s: %w", filepath.Base(deb), err)
	}
	err = into.Run()
	if ended := from.Wait(); err == nil {
		err = ended
	}
	if err != nil {
		return fmt.Errorf("unpack %s: %w: %s", filepath.Base(deb), err, strings.TrimSpace(said.String()))
	}
	return nil
}

// link makes a folder and a relative link to it; both are paths in root.
func link(root, name, target string) error {
	for _, folder := range []string{filepath.Join(root, target), filepath.Dir(filepath.Join(root, name))} {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
	}
	relative, err := filepath.Rel(filepath.Dir(name), target)
	if err != nil {
		return err
	}
	return os.Symlink(relative, filepath.Join(root, name))
}
