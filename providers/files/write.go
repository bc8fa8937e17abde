package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"
)

// Private is the mode of what may hold serials, definitions or what guests wrote.
const Private fs.FileMode = 0o600

// Write makes a file with this content and exactly this mode, in the place of a
// regular file or where nothing is. It is on the disk when Write returns, and after
// an error, or a power cut, the old one is there whole. A link is neither followed
// nor replaced, nor is one of others on the way followed.
func Write(name string, content []byte, mode fs.FileMode) error {
	folder := filepath.Dir(name)
	if err := OwnLinks(folder); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	if there, err := os.Lstat(name); err == nil && !there.Mode().IsRegular() {
		return fmt.Errorf("write %s: it is there and no regular file (name the file itself)", name)
	}
	// renameio.WriteFile would keep the mode of a file that is there.
	file, err := renameio.NewPendingFile(name, renameio.WithTempDir(folder), renameio.WithStaticPermissions(mode))
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	defer file.Cleanup()
	if _, err = file.Write(content); err == nil {
		err = file.CloseAtomicallyReplace()
	}
	if err == nil {
		err = SyncFolder(folder)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}

// SyncFolder puts the names in a folder on the disk: without it a file that was
// renamed may be gone after a power cut (fsync(2)).
func SyncFolder(name string) error {
	folder, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
