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

// OpenDrive opens a block device, or a file that is an image of one, to be read.
func OpenDrive(name string) (*os.File, error) {
	return open(name, func(mode fs.FileMode) bool { return mode.IsRegular() || mode.Type() == fs.ModeDevice })
}

// open opens what may be opened. Everything else is refused before that, which may
// already do something (a tape rewinds), and once more afterwards.
func open(name string, may func(fs.FileMode) bool) (*os.File, error) {
	stat, err := os.Stat(name)
	if err == nil && !may(stat.Mode()) {
		err = &fs.PathError{Op: "open", Path: name, Err: errNoFile}
	}
	if err != nil {
		return nil, err
	}
	file, err := os.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, err
	}
	if stat, err = file.Stat(); err == nil && !may(stat.Mode()) {
		err = &fs.PathError{Op: "open", Path: name, Err: errNoFile}
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

var errNoFile = errors.New("it is no regular file")

func readAll(file fs.File, name string, maxBytes int64) ([]byte, error) {
	defer file.Close() // only read
	content, err := io.ReadAll(io.LimitReader(file, maxBytes+1))
	if err == nil && int64(len(content)) > maxBytes {
		err = fmt.Errorf("%s has more than the %d bytes that are read", name, maxBytes)
	}
	return content, err
}
