package drive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// ioctlUint64 asks a device for a number of 64 bits.
func ioctlUint64(file *os.File, request uint) (uint64, error) {
	var value uint64
	_, _, code := unix.Syscall(unix.SYS_IOCTL, file.Fd(), uintptr(request), uintptr(unsafe.Pointer(&value)))
	if code != 0 {
		return 0, code
	}
	return value, nil
}

// settled puts everything on the drive and has the kernel read its table anew.
// A kernel that still uses a partition refuses that for a while (udev).
func (o *opened) settled(ctx context.Context) error {
	if err := o.Sync(); err != nil {
		return fmt.Errorf("sync %s: %w", o.device.Name, err)
	}
	if o.device.SectorBytes != 0 {
		return nil
	}
	err := again(ctx, settle, func() error {
		return unix.IoctlSetInt(int(o.Fd()), unix.BLKRRPART, 0)
	}, unix.EBUSY)
	if errors.Is(err, unix.EBUSY) {
		err = fmt.Errorf("a partition of it is in use, so the kernel still has the old ones: %w", err)
	}
	if err != nil {
		return fmt.Errorf("have the kernel read the table of %s anew: %w", o.device.Name, err)
	}
	return nil
}
