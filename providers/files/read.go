// Package files reads files that people name and keeps those of lendkeep's own:
// nothing is waited for, nothing is read without a bound, and what is written is
// there whole or not at all. Start at Read and Write.
package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// Read gives the content of a regular file of at most so many bytes. Anything else
// is not waited for: a pipe may never answer, and /dev/zero never ends.
func Read(name string, maxBytes int64) ([]byte, error) {
	file, err := open(name, fs.FileMode.IsRegular)
	if err != nil {
		return nil, err
	}
	return readAll(file, name, maxBytes)
}

// ReadTrusted is Read of a file that nobody else may write, or put another in the
// place of; else it is ErrOthersWrite.
func ReadTrusted(name string, maxBytes int64) ([]byte, error) {
	file, err := open(name, fs.FileMode.IsRegular)
	if err != nil {
		return nil, err
	}
	if err := trusted(file, name); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return readAll(file, name, maxBytes)
}

// Open opens a regular file to be read.
func Open(name string) (*os.File, error) { return open(name, fs.FileMode.IsRegular) }

// OpenDrive opens a block device, or a file that is an image of one, to be read.
func OpenDrive(name string) (*os.File, error) {
	return open(name, func(mode fs.FileMode) bool { return mode.IsRegular() || mode.Type() == fs.ModeDevice })
}

// open opens what may be opened. Everything else is refused before that, which may
// already do something (a tape rewinds) or wait for ever: O_PATH opens nothing
// (open(2)), and what it leads to cannot be exchanged any more.
func open(name string, may func(fs.FileMode) bool) (*os.File, error) {
	place, err := os.OpenFile(name, unix.O_PATH, 0)
	if err != nil {
		return nil, err
	}
	defer place.Close() // nothing was read
	stat, err := place.Stat()
	if err == nil && !may(stat.Mode()) {
		err = &fs.PathError{Op: "open", Path: name, Err: noFile(stat.Mode())}
	}
	if err != nil {
		return nil, err
	}
	file, err := os.OpenFile(fmt.Sprintf("/proc/self/fd/%d", place.Fd()), os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: errors.Unwrap(err)}
	}
	return file, nil
}

func noFile(mode fs.FileMode) error { return fmt.Errorf("it is no regular file but %s", kindOf(mode)) }

func kindOf(mode fs.FileMode) string {
	switch {
	case mode.IsDir():
		return "a folder"
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeSocket != 0:
		return "a socket"
	case mode&fs.ModeCharDevice != 0:
		return "a character device"
	default:
		return "a block device"
	}
}

func readAll(file fs.File, name string, maxBytes int64) ([]byte, error) {
	defer file.Close() // only read
	content, err := io.ReadAll(io.LimitReader(file, maxBytes+1))
	if err == nil && int64(len(content)) > maxBytes {
		err = fmt.Errorf("%s has more than the %d bytes that are read", name, maxBytes)
	}
	return content, err
}
