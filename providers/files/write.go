package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

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

// WriteBy is Write, but a name that the new file has before it takes the old one's
// lies in another folder of the same filesystem: for a folder of which every file
// counts, whatever its name.
func WriteBy(making, name string, content []byte, mode fs.FileMode) error {
	return write(making, name, content, mode, func(file *unnamed) error { return file.replace(name) })
}

// WriteNew is Write where nothing may be yet: what is there stays as it is, and the
// error is fs.ErrExist.
func WriteNew(name string, content []byte, mode fs.FileMode) error {
	return write(filepath.Dir(name), name, content, mode, func(file *unnamed) error { return file.give(name) })
}

// Exchange gives a file that is there other content, as Write does, and leaves it
// its mode and owner.
func Exchange(name string, content []byte) error {
	var there unix.Stat_t
	if err := unix.Lstat(name, &there); err != nil {
		return &fs.PathError{Op: "lstat", Path: name, Err: err}
	}
	return write(filepath.Dir(name), name, content, fs.FileMode(there.Mode&0o777), func(file *unnamed) error {
		if err := file.Chown(int(there.Uid), int(there.Gid)); err != nil {
			return err
		}
		return file.replace(name)
	})
}

// write makes a file that has no name, and has it given one once it is whole.
func write(making, name string, content []byte, mode fs.FileMode, put func(*unnamed) error) (err error) {
	defer func() {
		if errors.Is(err, fs.ErrExist) {
			err = fs.ErrExist
		}
		if err != nil {
			err = fmt.Errorf("write %s: %w", name, err)
		}
	}()
	folder := filepath.Dir(name)
	if err := OwnLinks(folder); err != nil {
		return err
	}
	file, err := newUnnamed(making)
	if err != nil {
		return err
	}
	defer file.end()
	// The mode that a file is opened with is less the umask.
	if err := file.Chmod(mode); err != nil {
		return err
	}
	if _, err := file.Write(content); err != nil {
		return err
	}
	if err := file.Sync(); err != nil {
		return err
	}
	if err := put(file); err != nil {
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
