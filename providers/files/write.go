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
	return write(making, name, content, mode, func(file *renameio.PendingFile) error { return replace(file, name) })
}

// WriteNew is Write where nothing may be yet: what is there stays as it is, and the
// error is fs.ErrExist.
func WriteNew(name string, content []byte, mode fs.FileMode) error {
	return write(filepath.Dir(name), name, content, mode, func(file *renameio.PendingFile) error {
		if err := file.Sync(); err != nil {
			return err
		}
		// A second name is never given over one that is there (link(2)).
		if err := os.Link(file.Name(), name); errors.Is(err, fs.ErrExist) {
			return fs.ErrExist
		} else if err != nil {
			return err
		}
		return file.Cleanup()
	})
}

// Exchange gives a file that is there other content, as Write does, and leaves it
// its mode and owner.
func Exchange(name string, content []byte) error {
	var there unix.Stat_t
	if err := unix.Lstat(name, &there); err != nil {
		return &fs.PathError{Op: "lstat", Path: name, Err: err}
	}
	return write(filepath.Dir(name), name, content, fs.FileMode(there.Mode&0o777), func(file *renameio.PendingFile) error {
		if err := file.Chown(int(there.Uid), int(there.Gid)); err != nil {
			return err
		}
		return replace(file, name)
	})
}

// write makes a file of another name, and has it put in its place once it is whole.
func write(making, name string, content []byte, mode fs.FileMode, put func(*renameio.PendingFile) error) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write %s: %w", name, err)
		}
	}()
	folder := filepath.Dir(name)
	if err := OwnLinks(folder); err != nil {
		return err
	}
	// renameio.WriteFile would keep the mode of a file that is there.
	file, err := renameio.NewPendingFile(name, renameio.WithTempDir(making), renameio.WithStaticPermissions(mode))
	if err != nil {
		return err
	}
	defer file.Cleanup()
	if _, err := file.Write(content); err != nil {
		return err
	}
	if err := put(file); err != nil {
		return err
	}
	return SyncFolder(folder)
}

// replace puts a file in the place of a regular file, or where nothing is.
func replace(file *renameio.PendingFile, name string) error {
	if there, err := os.Lstat(name); err == nil && !there.Mode().IsRegular() {
		return errors.New("it is there and no regular file (name the file itself)")
	}
	return file.CloseAtomicallyReplace()
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
