package measure

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os/signal"
	"path/filepath"
	"unsafe"

	"golang.org/x/sys/unix"
)

// handle is how the system names what is open.
type handle = int

// target is what is measured, open for direct reads, and writes where it is a file.
type target struct {
	handle handle
	path   string // the folder or the device, for errors
	bytes  int64  // over which the series run, whole blocks
	devno  uint64 // of the filesystem's device, or of the device itself
}

// makeFile makes the file in a folder that is measured. It has no name, so that it
// is gone with the program, whatever ends that; where a filesystem has none without,
// it loses its name before anything is written.
func makeFile(folder string) (*target, error) {
	dir, err := unix.Open(folder, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, inFolder(folder, "open", err)
	}
	defer unix.Close(dir)
	fd, err := unix.Openat(dir, ".", unix.O_TMPFILE|unix.O_EXCL|unix.O_RDWR|unix.O_CLOEXEC, 0o600)
	if err != nil { // what is wrong with the folder, the other way finds too
		if fd, err = madeNameless(dir, folder); err != nil {
			return nil, err
		}
	}
	t := &target{handle: fd, path: folder}
	if err := t.direct(); err != nil {
		_ = t.close() // the first error is told
		return nil, err
	}
	return t, nil
}

// madeNameless makes a file that has a name only until it is made.
func madeNameless(dir int, folder string) (int, error) {
	var number [8]byte
	_, _ = rand.Read(number[:]) // never fails
	name := ".lendkeep-measure-" + hex.EncodeToString(number[:])
	fd, err := unix.Openat(dir, name, unix.O_CREAT|unix.O_EXCL|unix.O_NOFOLLOW|unix.O_RDWR|unix.O_CLOEXEC, 0o600)
	if err != nil {
		return -1, inFolder(folder, "make a file in", err)
	}
	if err := unix.Unlinkat(dir, name, 0); err != nil {
		_ = unix.Close(fd)
		return -1, Problem{fmt.Errorf("take away the name of the empty file %s: %w", filepath.Join(folder, name), err), "remove it by hand, and measure another folder"}
	}
	return fd, nil
}

// direct has the file be read and written past the caches.
func (t *target) direct() error {
	var fs unix.Statfs_t
	var stat unix.Stat_t
	if err := errors.Join(unix.Fstatfs(t.handle, &fs), unix.Fstat(t.handle, &stat)); err != nil {
		return inFolder(t.path, "look at", err)
	}
	t.devno = stat.Dev
	switch fs.Type {
	case unix.TMPFS_MAGIC, unix.RAMFS_MAGIC, unix.HUGETLBFS_MAGIC: // some take O_DIRECT, and stay memory
		return Problem{fmt.Errorf("folder %s is in memory, not on a drive", t.path), "name a folder on the drive"}
	}
	// Asked for when it is made, some filesystems would refuse, and leave a file behind.
	if _, err := unix.FcntlInt(uintptr(t.handle), unix.F_SETFL, unix.O_DIRECT); err != nil {
		return Problem{fmt.Errorf("read past the caches in folder %s: its filesystem refuses that (O_DIRECT): %w", t.path, err), "name a folder on another filesystem"}
	}
	return nil
}

// room tells how many bytes the program may still write where the file is, and of how
// many, without what only root may have, as df(1) counts.
func (t *target) room() (free, all int64, err error) {
	var fs unix.Statfs_t
	if err := unix.Fstatfs(t.handle, &fs); err != nil {
		return 0, 0, inFolder(t.path, "look at", err)
	}
	return int64(fs.Bavail) * fs.Bsize, int64(fs.Blocks-fs.Bfree+fs.Bavail) * fs.Bsize, nil
}

// allocate gives the file its size, at once where the filesystem can.
func (t *target) allocate(bytes int64) error {
	signal.Ignore(unix.SIGXFSZ) // a limit of the shell's shall be an error, not the end (setrlimit(2))
	err := unix.Fallocate(t.handle, 0, 0, bytes)
	if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EINVAL) {
		err = unix.Ftruncate(t.handle, bytes)
	}
	if err != nil {
		return inFolder(t.path, fmt.Sprintf("make a file of %d bytes in", bytes), err)
	}
	t.bytes = bytes
	return nil
}

// inFolder tells what cannot be done with a folder, and what to do about it.
func inFolder(folder, deed string, err error) error {
	next := "name another folder"
	switch {
	case errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) || errors.Is(err, unix.EFBIG):
		next = "ask for a smaller file, or make room"
	case errors.Is(err, unix.EACCES) || errors.Is(err, unix.EPERM):
		next = "name a folder that you may write, or measure as root"
	case errors.Is(err, unix.EROFS):
		next = "name a folder on a filesystem that is not read-only"
	}
	return Problem{fmt.Errorf("%s folder %s: %w", deed, folder, err), next}
}

// openDevice opens a whole device for reading, and for this program alone: the
// kernel refuses one that is mounted, or in use by another part of it (open(2)).
func openDevice(named string) (*target, error) {
	path, err := filepath.EvalSymlinks(named)
	if err != nil {
		return nil, Problem{fmt.Errorf("find device %s: %w", named, err), "name a device below /dev"}
	}
	// What is none is not even opened: that alone does something with some.
	var before, stat unix.Stat_t
	if err := unix.Stat(path, &before); err != nil || before.Mode&unix.S_IFMT != unix.S_IFBLK {
		return nil, Problem{fmt.Errorf("%s is not a block device", named), "name a drive, or measure a folder"}
	}
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_EXCL|unix.O_NONBLOCK|unix.O_CLOEXEC|unix.O_NOFOLLOW, 0)
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, Problem{fmt.Errorf("device %s is in use", named), "unmount what is on it, or measure a folder there"}
	case err != nil:
		return nil, Problem{fmt.Errorf("open device %s for reading: %w", named, err), "measure as root"}
	}
	t := &target{handle: fd, path: named, devno: before.Rdev}
	if err := unix.Fstat(fd, &stat); err != nil || stat.Rdev != before.Rdev || stat.Mode&unix.S_IFMT != unix.S_IFBLK {
		_ = t.close()
		return nil, Problem{fmt.Errorf("device %s became another one meanwhile", named), "measure again"}
	}
	if err := t.sized(); err != nil {
		_ = t.close()
		return nil, err
	}
	return t, nil
}

// sized asks how large the device is, and has it be read directly.
func (t *target) sized() error {
	var bytes uint64
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(t.handle), unix.BLKGETSIZE64, uintptr(unsafe.Pointer(&bytes))); errno != 0 {
		return fmt.Errorf("ask device %s for its size: %w", t.path, errno)
	}
	if t.bytes = int64(bytes) / Block * Block; t.bytes < LeastBytes {
		return Problem{fmt.Errorf("device %s has only %d bytes", t.path, bytes), "measure a larger one"}
	}
	// This takes O_NONBLOCK away too, with which io_uring would not wait.
	if _, err := unix.FcntlInt(uintptr(t.handle), unix.F_SETFL, unix.O_DIRECT); err != nil {
		return fmt.Errorf("read device %s past the caches: %w", t.path, err)
	}
	return nil
}

// settle waits until all that was written has reached the drive.
func (t *target) settle() error { return unix.Fdatasync(t.handle) }

func (t *target) close() error { return unix.Close(t.handle) }

// writesThrough: what is written may be in the drive's own cache when it is done.
const writesThrough = false
