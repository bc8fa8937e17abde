package files

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// unnamed is a file that is being made. It has no name before it is whole, so that
// whoever is killed while making it leaves nothing (O_TMPFILE, open(2)); on a
// filesystem that has no files without a name, it has one of its own until then.
type unnamed struct {
	*os.File
	// making is the folder in which it was opened; name is what it is called there,
	// empty while it has no name.
	making, name string
}

func newUnnamed(making string) (*unnamed, error) {
	file, err := os.OpenFile(making, unix.O_TMPFILE|os.O_WRONLY, 0o600)
	if err == nil {
		return &unnamed{file, making, ""}, nil
	}
	// What open(2) says where files without a name are not known: to the filesystem,
	// or to the kernel.
	if !errors.Is(err, unix.EOPNOTSUPP) && !errors.Is(err, unix.EISDIR) {
		return nil, err
	}
	file, err = os.CreateTemp(making, ".lendkeep-*")
	if err != nil {
		return nil, err
	}
	return &unnamed{file, making, file.Name()}, nil
}

// give names the file where nothing is: a second name is never given over one that is
// there (link(2)), then the error is fs.ErrExist.
func (u *unnamed) give(name string) error {
	from := u.name
	if from == "" {
		// By this path whoever has the file open may name it (open(2), O_TMPFILE).
		from = fmt.Sprintf("/proc/self/fd/%d", u.Fd())
	}
	if err := unix.Linkat(unix.AT_FDCWD, from, unix.AT_FDCWD, name, unix.AT_SYMLINK_FOLLOW); err != nil {
		return &os.LinkError{Op: "link", Old: from, New: name, Err: err}
	}
	return nil
}

// replace puts the file in the place of a regular file, or where nothing is. Only in
// the first case does it have another name, for the moment between two calls: nothing
// takes a file's place without one.
func (u *unnamed) replace(name string) error {
	if u.name == "" {
		if err := u.give(name); !errors.Is(err, fs.ErrExist) {
			return err
		}
	}
	if there, err := os.Lstat(name); err == nil && !there.Mode().IsRegular() {
		return errors.New("it is there and no regular file (name the file itself)")
	}
	if u.name == "" {
		before := filepath.Join(u.making, ".lendkeep-"+rand.Text())
		if err := u.give(before); err != nil {
			return err
		}
		u.name = before
	}
	if err := os.Rename(u.name, name); err != nil {
		return err
	}
	u.name = ""
	return nil
}

// end closes the file, and takes away the name that it had before its own.
func (u *unnamed) end() {
	u.Close()
	if u.name != "" {
		os.Remove(u.name)
	}
}
