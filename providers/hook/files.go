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

	"github.com/google/renameio/v2"

	"lendkeep/reconcile/facts"
)

// Files is where the guard is installed: below Root, which is "/" but in
// tests. Other hooks in the same folder, and an operator's own hook beside it,
// are never touched.
type Files struct{ Root string }

// Install makes the files have exactly this content, each replaced whole or not
// at all; empty content is no file. Rules come before the hook and go after it:
// a hook without rules refuses every guest that borrows. udevd notices changed
// rules by itself before the next event (udev(7)). Folders that had to be made
// stay.
func (f Files) Install(_ context.Context, files facts.GuardFiles) error {
	puts := []func() error{
		func() error { return f.put(facts.GuardUdev, files.Udev, 0o644) },
		func() error { return f.put(facts.GuardRules, files.Rules, 0o600) },
		func() error { return f.put(facts.GuardHook, files.Hook, 0o755) },
	}
	if files.Hook == "" {
		slices.Reverse(puts)
	}
	for _, put := range puts {
		if err := put(); err != nil {
			return fmt.Errorf("install guard: %w", err)
		}
	}
	return nil
}

func (f Files) put(name, content string, mode fs.FileMode) error {
	file := filepath.Join(f.Root, name)
	if content == "" {
		return remove(file)
	}
	dir := filepath.Dir(file)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	// The file in the making lies one folder up: libvirt would run it.
	return renameio.WriteFile(file, []byte(content), mode, renameio.WithTempDir(filepath.Dir(dir)), renameio.IgnoreUmask())
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
	dir, err := os.Open(filepath.Dir(file))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
