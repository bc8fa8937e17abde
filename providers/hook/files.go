// Package hook installs lendkeep's guard on a host: the hook that libvirt
// calls, the rules that it goes by, and those of udev. Start at Files.
package hook

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Files is where the guard is installed: below Root, which is "/" but in
// tests. Other hooks in the same folder, and an operator's own hook beside it,
// are never touched.
type Files struct{ Root string }

// Install makes the files have exactly this content and these permissions, each
// replaced whole or not at all; empty content is no file. A hook goes before its rules.
// udevd notices changed rules by itself before the next event (udev(7)). Folders
// that had to be made stay.
func (f Files) Install(_ context.Context, files facts.GuardFiles) error {
	list := files.Each()
	if files.Hook == "" {
		slices.Reverse(list)
	}
	for _, file := range list {
		if err := f.put(file); err != nil {
			return fmt.Errorf("install guard: %w", err)
		}
	}
	return nil
}

func (f Files) put(wanted facts.GuardFile) error {
	file := filepath.Join(f.Root, wanted.Path)
	if wanted.Content == "" {
		return remove(file)
	}
	bits, err := wanted.Mode.Bits(wanted.Usual)
	if err != nil {
		return err
	}
	dir := filepath.Dir(file)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	// The file in the making lies one folder up: libvirt would run it.
	return files.WriteBy(filepath.Dir(dir), file, []byte(wanted.Content), fs.FileMode(bits))
}

// remove removes a file and sees that it stays removed after a power cut.
func remove(file string) error {
	err := os.Remove(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return files.SyncFolder(filepath.Dir(file))
}
