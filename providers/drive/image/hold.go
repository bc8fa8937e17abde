package image

import (
	"errors"
	"fmt"

	"lendkeep/providers/files"

	"golang.org/x/sys/unix"
)

// OpenFile opens a regular file of this machine for Open; anything else is refused
// before it is opened.
func OpenFile(path string) (File, error) {
	file, err := files.Open(path)
	if err != nil {
		return nil, err
	}
	return file, nil
}

// QEMU tells others what it does with an image by locks on single bytes of it:
// byte 100 + n is locked by who does a thing, 200 + n by who does not bear that
// others do it (RAW_PERM_BASE and RAW_SHARED_BASE in its block/file-posix.c;
// the bits n are BLK_PERM_CONSISTENT_READ and so on in its include/block).
const (
	doing    = 100
	notBears = 200

	reading  = 0
	writing  = 1
	resizing = 3
)

// ErrWritten is of an image that somebody has open for writing.
var ErrWritten = errors.New("another process has it open for writing, as a guest that runs does")

// Hold makes every file of the chain stay as it is as far as QEMU is concerned:
// it fails with ErrWritten if one is open for writing, and until Close no QEMU
// starts to write any. Files that are not of this machine are left out.
func (i *Image) Hold() error {
	for _, l := range i.chain {
		file, ok := l.file.(numbered)
		if !ok {
			continue
		}
		if err := hold(int(file.Fd())); err != nil {
			return fmt.Errorf("hold image %s: %w", l.path, err)
		}
	}
	return nil
}

// hold takes the locks first and asks then, so that nobody can come between.
func hold(file int) error {
	for _, at := range []int64{doing + reading, notBears + writing, notBears + resizing} {
		lock := unix.Flock_t{Type: unix.F_RDLCK, Start: at, Len: 1}
		if err := unix.FcntlFlock(uintptr(file), unix.F_OFD_SETLK, &lock); err != nil {
			if errors.Is(err, unix.EAGAIN) || errors.Is(err, unix.EACCES) {
				return ErrWritten
			}
			return fmt.Errorf("whether it is written cannot be found out: lock byte %d: %w", at, err)
		}
	}
	for _, at := range []int64{doing + writing, doing + resizing} {
		// The lock of another that a write lock would meet; it is not taken.
		lock := unix.Flock_t{Type: unix.F_WRLCK, Start: at, Len: 1}
		if err := unix.FcntlFlock(uintptr(file), unix.F_OFD_GETLK, &lock); err != nil {
			return fmt.Errorf("whether it is written cannot be found out: look at the lock of byte %d: %w", at, err)
		}
		if lock.Type != unix.F_UNLCK {
			return ErrWritten
		}
	}
	return nil
}
