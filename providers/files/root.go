package files

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"path"
)

// Root is a root directory with what is lendkeep's own in it, which only root can
// have written. Of a captured one nobody knows whose its files were.
type Root struct {
	FS       fs.ReadLinkFS
	Captured bool
}

// mostInstalled bounds what is read of a file that lendkeep installs.
const mostInstalled = 1 << 20

// Text gives a file that lendkeep wrote, and its permissions: those that are usual
// where nobody knows them. It is "" where there is none. What ends within a line was
// cut.
func (r Root) Text(name string, usual uint32) (string, uint32, error) {
	content, mode, err := r.head(name, mostInstalled+1)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", usual, nil
	case err != nil:
		return "", usual, err
	case len(content) > mostInstalled:
		return "", usual, errors.New("it is longer than any that lendkeep writes")
	case !bytes.HasSuffix(content, []byte("\n")):
		return "", usual, errors.New("it is cut: its last line has no end")
	case r.Captured:
		return string(content), usual, nil
	}
	return string(content), uint32(mode.Perm()), nil
}

// elf is how every program of Linux begins (elf(5), e_ident).
const elf = "\x7fELF"

// ErrNoProgram says that something else is where a program should be.
var ErrNoProgram = errors.New("it is no program, or nobody may run it")

// Program tells whether a program is there that somebody may run; ErrNoProgram where
// something else is.
func (r Root) Program(name string) (bool, error) {
	head, mode, err := r.head(name, len(elf))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err == nil && (string(head) != elf || !r.Captured && mode&0o111 == 0):
		err = ErrNoProgram
	}
	return err == nil, err
}

// head gives the first bytes of a file that only root can have written.
func (r Root) head(name string, n int) ([]byte, fs.FileMode, error) {
	real, err := Resolve(r.FS, name[1:])
	if err != nil {
		return nil, 0, err
	}
	mode, err := r.rootAlone(real)
	if err != nil {
		return nil, 0, err
	}
	content, err := Head(r.FS, real, n)
	return content, mode, err
}

// rootAlone gives the mode of a file that nobody but root can have written, nor put
// another in the place of. A group that may write where root's programs lie is root's
// own matter (Debian Policy 9.1.2: staff).
func (r Root) rootAlone(real string) (fs.FileMode, error) {
	stat, err := r.FS.Lstat(real)
	if err != nil || r.Captured {
		return 0, err
	}
	if !stat.Mode().IsRegular() {
		return 0, errors.New("it is no regular file")
	}
	root := func(uid uint32) bool { return uid == 0 }
	err = alone(stat, "it", root, 0o022)
	for dir := real; err == nil && dir != "."; {
		dir = path.Dir(dir)
		var above fs.FileInfo
		if above, err = r.FS.Lstat(dir); err == nil {
			err = alone(above, "its folder "+path.Join("/", dir), root, 0o002)
		}
	}
	return stat.Mode(), err
}

// Head gives at most the first n bytes of a file. A shorter answer is no error.
func Head(fsys fs.FS, name string, n int) ([]byte, error) {
	file, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	content := make([]byte, n)
	n, err = io.ReadFull(file, content)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, err
	}
	return content[:n], nil
}

// Cause strips the operation and path off an error, for those who say them
// themselves.
func Cause(err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		return at.Err
	}
	return err
}
