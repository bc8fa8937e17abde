package files

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// Dir gives a folder as a file system, as os.DirFS does, in which nothing is opened
// that may be waited for or that acts when it is: files, folders and block devices
// are, pipes, sockets and character devices are not.
func Dir(name string) fs.ReadLinkFS { return tree{os.DirFS(name).(dirFS), name} }

// dirFS is what os.DirFS gives, by its own word.
type dirFS interface {
	fs.StatFS
	fs.ReadDirFS
	fs.ReadLinkFS
}

type tree struct {
	dirFS
	root string
}

// Open implements fs.FS.
func (t tree) Open(name string) (fs.File, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	}
	// In the kernel's own trees there are thousands of files and no devices.
	if !strings.HasPrefix(name, "sys/") && !strings.HasPrefix(name, "proc/") {
		stat, err := t.Stat(name)
		if err == nil {
			err = mayOpen(name, stat)
		}
		if err != nil {
			return nil, err
		}
	}
	file, err := openAtOnce(filepath.Join(t.root, name))
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	stat, err := file.Stat()
	if err == nil {
		err = mayOpen(name, stat)
	}
	if err != nil {
		_ = file.Close() // only looked at
		return nil, err
	}
	return file, nil
}

// openAtOnce opens without waiting. Of what is read then nothing is waited for either,
// so the runtime need not watch the file, which costs more than to read a short one.
func openAtOnce(name string) (*os.File, error) {
	for {
		fd, err := unix.Open(name, unix.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return nil, err
		}
		_ = unix.SetNonblock(fd, false) // it was only for the opening
		return os.NewFile(uintptr(fd), name), nil
	}
}

// mostBytes bounds a file that is read as a whole; those of the kernel's and of
// libvirt's answers have some megabytes.
const mostBytes = 64 << 20

// ReadFile implements fs.ReadFileFS.
func (t tree) ReadFile(name string) ([]byte, error) {
	file, err := t.Open(name)
	if err != nil {
		return nil, err
	}
	return readAll(file, name, mostBytes)
}

func mayOpen(name string, stat fs.FileInfo) error {
	if mode := stat.Mode(); mode.IsRegular() || mode.IsDir() || mode.Type() == fs.ModeDevice {
		return nil
	}
	return &fs.PathError{Op: "open", Path: name, Err: noFile(stat.Mode())}
}
