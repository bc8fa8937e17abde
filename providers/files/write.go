package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"
	"golang.org/x/sys/unix"
)

// Private is the mode of what may hold serials, definitions or what guests wrote.
const Private fs.FileMode = 0o600

// Write makes a file with this content and exactly this mode, in the place of a
// regular file or where nothing is. It is on the disk when Write returns, and after
// an error, or a power cut, the old one is there whole. A link is neither followed
// nor replaced, nor is one of others on the way followed.
func Write(name string, content []byte, mode fs.FileMode) error {
	return WriteBy(filepath.Dir(name), name, content, mode)
}

// WriteBy is Write, but what is half written lies in another folder of the same
// filesystem: for a folder of which every file counts, whatever its name.
func WriteBy(making, name string, content []byte, mode fs.FileMode) error {
	return write(making, name, content, mode, func(*os.File) error { return nil })
}

// WriteNew is Write where nothing may be yet: what is there stays as it is, and the
// error is fs.ErrExist.
func WriteNew(name string, content []byte, mode fs.FileMode) error {
	if err := OwnLinks(filepath.Dir(name)); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	place, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	if err = errors.Join(place.Close(), Write(name, content, mode)); err != nil {
		return errors.Join(err, os.Remove(name))
	}
	return nil
}

// Exchange gives a file that is there other content, as Write does, and leaves it
// its mode and owner.
func Exchange(name string, content []byte) error {
	var there unix.Stat_t
	if err := unix.Lstat(name, &there); err != nil {
		return &fs.PathError{Op: "lstat", Path: name, Err: err}
	}
	return write(filepath.Dir(name), name, content, fs.FileMode(there.Mode&0o777), func(file *os.File) error {
		return file.Chown(int(there.Uid), int(there.Gid))
	})
}

func write(making, name string, content []byte, mode fs.FileMode, before func(*os.File) error) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write %s: %w", name, err)
		}
	}()
	folder := filepath.Dir(name)
	if err := OwnLinks(folder); err != nil {
		return err
	}
	if there, err := os.Lstat(name); err == nil && !there.Mode().IsRegular() {
		return errors.New("it is there and no regular file (name the file itself)")
	}
	// renameio.WriteFile would keep the mode of a file that is there.
	file, err := renameio.NewPendingFile(name, renameio.WithTempDir(making), renameio.WithStaticPermissions(mode))
	if err != nil {
		return err
	}
	defer file.Cleanup()
	if err := before(file.File); err != nil {
		return err
	}
	if _, err := file.Write(content); err != nil {
		return err
	}
	if err := file.CloseAtomicallyReplace(); err != nil {
		return err
	}
	return SyncFolder(folder)
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
