package copy

import (
	"errors"
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Device is a block device or a regular file as a Target.
type Device struct {
	file   *os.File // not ours to close
	size   int64
	block  bool
	direct bool
	align  int64 // of direct reads and writes

	loose *os.File // through the page cache, for what is not aligned
	zeros []byte   // for files that have no way to make holes
}

// Open makes a target of a file that is open for reading and writing: direct
// where the kernel can do that, else through the page cache, which is then left
// out of reading by telling the kernel to drop it. The file stays the caller's;
// its flags are changed.
func Open(file *os.File) (*Device, error) {
	d := &Device{file: file, align: grain}
	var stat unix.Stat_t
	if err := unix.Fstat(int(file.Fd()), &stat); err != nil {
		return nil, fmt.Errorf("open target %s: %w", file.Name(), err)
	}
	switch stat.Mode & unix.S_IFMT {
	case unix.S_IFREG:
		d.size = stat.Size
	case unix.S_IFBLK:
		d.block = true
		end, err := file.Seek(0, 2)
		if err != nil {
			return nil, fmt.Errorf("open target %s: find its size: %w", file.Name(), err)
		}
		sector, err := unix.IoctlGetInt(int(file.Fd()), unix.BLKSSZGET)
		if err != nil {
			return nil, fmt.Errorf("open target %s: find its sector size: %w", file.Name(), err)
		}
		d.size, d.align = end, int64(sector)
	default:
		return nil, fmt.Errorf("open target %s: it is neither a block device nor a file", file.Name())
	}
	flags, err := unix.FcntlInt(file.Fd(), unix.F_GETFL, 0)
	if err != nil {
		return nil, fmt.Errorf("open target %s: %w", file.Name(), err)
	}
	_, err = unix.FcntlInt(file.Fd(), unix.F_SETFL, flags|unix.O_DIRECT)
	d.direct = err == nil
	// By the descriptor, not by its name, which may be another device's by now.
	d.loose, err = os.OpenFile(fmt.Sprintf("/proc/self/fd/%d", file.Fd()), os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("open target %s once more: %w", file.Name(), err)
	}
	d.zeros, err = unix.Mmap(-1, 0, blockBytes, unix.PROT_READ, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open target %s: get memory: %w", file.Name(), err), d.loose.Close())
	}
	return d, nil
}

// SizeBytes implements Target, as do the methods below.
func (d *Device) SizeBytes() int64 { return d.size }

// WriteAt implements Target.
func (d *Device) WriteAt(p []byte, offset int64) (int, error) {
	return d.fitting(offset, int64(len(p))).WriteAt(p, offset)
}

// ReadAt implements Target. A hole in a file is zeroes because there is nothing.
func (d *Device) ReadAt(p []byte, offset int64) (int, error) {
	if !d.block && d.isHole(offset, int64(len(p))) {
		clear(p)
		return len(p), nil
	}
	file := d.fitting(offset, int64(len(p)))
	if file != d.file || !d.direct {
		// What is dirty stays in the cache, so it goes out first.
		if err := unix.Fdatasync(int(file.Fd())); err != nil {
			return 0, err
		}
		if err := unix.Fadvise(int(file.Fd()), offset, int64(len(p)), unix.FADV_DONTNEED); err != nil {
			return 0, err
		}
	}
	return file.ReadAt(p, offset)
}

// isHole tells whether the filesystem has nothing there, after what is in its
// memory has gone out (lseek(2)). It knows of no hole behind the end.
func (d *Device) isHole(offset, length int64) bool {
	if offset+length > d.size {
		return false
	}
	data, err := d.loose.Seek(offset, unix.SEEK_DATA)
	return errors.Is(err, unix.ENXIO) || err == nil && data >= offset+length
}

// fitting gives the file to read or write by.
func (d *Device) fitting(offset, length int64) *os.File {
	if !d.direct || offset%d.align == 0 && length%d.align == 0 {
		return d.file
	}
	return d.loose
}

// Zero implements Target. On a block device punching a hole is only done by
// hardware that reads zeroes afterwards (fallocate(2); in the kernel's
// block/fops.c it is BLKDEV_ZERO_NOFALLBACK); BLKZEROOUT does the same or
// writes zeroes.
func (d *Device) Zero(offset, length int64) error {
	if offset%d.align != 0 || length%d.align != 0 {
		_, err := d.WriteAt(make([]byte, length), offset)
		return err
	}
	err := unix.Fallocate(int(d.file.Fd()), unix.FALLOC_FL_PUNCH_HOLE|unix.FALLOC_FL_KEEP_SIZE, offset, length)
	switch {
	case !errors.Is(err, unix.EOPNOTSUPP):
		return err
	case d.block:
		return zeroOut(d.file, offset, length)
	}
	for ; length > 0; offset += blockBytes {
		part := min(length, blockBytes)
		if _, err := d.WriteAt(d.zeros[:part], offset); err != nil {
			return err
		}
		length -= part
	}
	return nil
}

func zeroOut(file *os.File, offset, length int64) error {
	stretch := [2]uint64{uint64(offset), uint64(length)}
	_, _, code := unix.Syscall(unix.SYS_IOCTL, file.Fd(), unix.BLKZEROOUT, uintptr(unsafe.Pointer(&stretch)))
	if code != 0 {
		return code
	}
	return nil
}

// Sync implements Target. It flushes the drive's own cache, whichever way the
// bytes came (fdatasync(2)).
func (d *Device) Sync() error {
	return unix.Fdatasync(int(d.file.Fd()))
}

// Close gives up what Open took; the file stays open.
func (d *Device) Close() error {
	return errors.Join(d.loose.Close(), unix.Munmap(d.zeros))
}
