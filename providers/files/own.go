package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// ErrOthersWrite says that a file or folder may be written, or exchanged, by
// somebody else than who runs lendkeep, root or whoever became root by sudo.
var ErrOthersWrite = errors.New("others may write it")

// trusted holds owner and mode of an open file and of the folder that it was
// found in. In a folder with the sticky bit only a file's owner can replace it.
func trusted(file *os.File, name string) error {
	if err := ownWrites(file, "it"); err != nil {
		return err
	}
	real, err := filepath.EvalSymlinks(name)
	if err != nil {
		return err
	}
	return ownFolder(filepath.Dir(real))
}

// Own holds that a folder, and every link that leads to it, may be written by
// nobody else, and that nobody else can put another in its place.
func Own(name string) error {
	if err := OwnLinks(name); err != nil {
		return err
	}
	real, err := filepath.EvalSymlinks(name)
	if err == nil {
		err = ownFolder(real)
	}
	if err == nil {
		err = ownFolder(filepath.Dir(real))
	}
	return err
}

func ownFolder(name string) error {
	folder, err := os.OpenFile(name, os.O_RDONLY|unix.O_DIRECTORY, 0)
	if err != nil {
		return err
	}
	defer folder.Close() // only looked at
	return ownWrites(folder, "folder "+name)
}

func ownWrites(file *os.File, what string) error {
	stat, err := file.Stat()
	if err != nil {
		return err
	}
	return alone(stat, what, ours, 0o022)
}

// alone holds that a file or folder belongs to somebody who may be relied on, and that
// none of those whom the bits mean may change it.
func alone(stat fs.FileInfo, what string, relied func(uid uint32) bool, bits fs.FileMode) error {
	owner, known := stat.Sys().(*syscall.Stat_t)
	sticky := stat.IsDir() && stat.Mode()&fs.ModeSticky != 0
	switch {
	case !known:
		return fmt.Errorf("%w: whom %s belongs to is not known", ErrOthersWrite, what)
	case stat.Mode().Perm()&bits != 0 && !sticky:
		return fmt.Errorf("%w: %s has mode %04o (chmod go-w)", ErrOthersWrite, what, stat.Mode().Perm())
	case !relied(owner.Uid):
		return fmt.Errorf("%w: %s belongs to user %d", ErrOthersWrite, what, owner.Uid)
	}
	return nil
}

// OwnLinks holds that every symbolic link on the way to a file, the file itself
// included, belongs to us: another's leads wherever he wants, and elsewhere later.
// What is not there yet is no link.
func OwnLinks(name string) error {
	rest, err := filepath.Abs(name)
	if err != nil {
		return err
	}
	for at, links := "/", 0; rest != ""; {
		var part string
		part, rest, _ = strings.Cut(strings.TrimLeft(rest, "/"), "/")
		if part == ".." { // of a link's target
			at = filepath.Dir(at)
			continue
		}
		next := filepath.Join(at, part)
		var stat unix.Stat_t
		switch err := unix.Lstat(next, &stat); {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return &fs.PathError{Op: "lstat", Path: next, Err: err}
		case stat.Mode&unix.S_IFMT != unix.S_IFLNK:
			at = next
			continue
		case !ours(stat.Uid):
			return fmt.Errorf("%w: the link %s on the way belongs to user %d", ErrOthersWrite, next, stat.Uid)
		}
		to, err := os.Readlink(next)
		if err != nil {
			return err
		}
		if links++; links > mostLinks {
			return &fs.PathError{Op: "lstat", Path: name, Err: unix.ELOOP}
		}
		if filepath.IsAbs(to) {
			at = "/"
		}
		rest = to + "/" + rest
	}
	return nil
}

// ours tells whether a user may be relied on: root, who runs lendkeep, and who
// became root to run it (sudo(8), SUDO_UID).
func ours(uid uint32) bool {
	if uid == 0 || int(uid) == os.Geteuid() {
		return true
	}
	before, err := strconv.ParseUint(os.Getenv("SUDO_UID"), 10, 32)
	return err == nil && os.Geteuid() == 0 && uint32(before) == uid
}
