package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"golang.org/x/sys/unix"
)

// errOthersWrite says that a file may be written by somebody else than who runs
// lendkeep, root or whoever became root by sudo.
var errOthersWrite = errors.New("others may write it")

// readInput reads a regular file of at most so many bytes. Anything else is not
// waited for: a pipe may never answer, and /dev/zero never ends.
func readInput(name string, maxBytes int64) ([]byte, error) {
	file, err := openInput(name)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	return readBounded(file, maxBytes)
}

// readTrusted is readInput of a file that nobody else may write, or put another
// in the place of.
func readTrusted(name string, maxBytes int64) ([]byte, error) {
	file, err := openInput(name)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	if err := trusted(file, name); err != nil {
		return nil, err
	}
	return readBounded(file, maxBytes)
}

func openInput(name string) (*os.File, error) {
	file, err := os.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, err
	}
	stat, err := file.Stat()
	if err == nil && !stat.Mode().IsRegular() {
		err = fmt.Errorf("%s is no regular file", name)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

func readBounded(file *os.File, maxBytes int64) ([]byte, error) {
	content, err := io.ReadAll(io.LimitReader(file, maxBytes+1))
	if err == nil && int64(len(content)) > maxBytes {
		err = fmt.Errorf("%s has more than the %d bytes that are read", file.Name(), maxBytes)
	}
	return content, err
}

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
	folder, err := os.Open(filepath.Dir(real))
	if err != nil {
		return err
	}
	defer folder.Close() // only looked at
	return ownWrites(folder, "its folder "+folder.Name())
}

func ownWrites(file *os.File, what string) error {
	var stat unix.Stat_t
	if err := unix.Fstat(int(file.Fd()), &stat); err != nil {
		return err
	}
	sticky := stat.Mode&unix.S_IFMT == unix.S_IFDIR && stat.Mode&unix.S_ISVTX != 0
	switch {
	case stat.Mode&(unix.S_IWGRP|unix.S_IWOTH) != 0 && !sticky:
		return fmt.Errorf("%w: %s has mode %04o (chmod go-w)", errOthersWrite, what, stat.Mode&0o7777)
	case !ours(stat.Uid):
		return fmt.Errorf("%w: %s belongs to user %d", errOthersWrite, what, stat.Uid)
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
