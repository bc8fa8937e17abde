package measure

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"unsafe"

	"golang.org/x/sys/windows"
)

// handle is how the system names what is open.
type handle = windows.Handle

// target is what is measured, open for unbuffered reads, and writes where it is a file.
type target struct {
	handle handle
	path   string // the folder or the device, for errors
	bytes  int64  // over which the series run, whole blocks
	number uint32 // of a device
}

// writesThrough: what is written is past the drive's own cache when it is done, as the
// system's writes are that must not be lost.
const writesThrough = true

// unbuffered has reads and writes go past the system's caches, and be waited for at a
// completion port.
const unbuffered = windows.FILE_FLAG_NO_BUFFERING | windows.FILE_FLAG_OVERLAPPED

// makeFile makes the file in a folder that is measured. It is gone when its handle is,
// and with the program goes its handle, whatever ends that.
func makeFile(folder string) (*target, error) {
	var number [8]byte
	_, _ = rand.Read(number[:]) // never fails
	name, err := windows.UTF16PtrFromString(filepath.Join(folder, "lendkeep-measure-"+hex.EncodeToString(number[:])+".tmp"))
	if err != nil {
		return nil, inFolder(folder, "make a file in", err)
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ|windows.GENERIC_WRITE|windows.DELETE, 0, nil, windows.CREATE_NEW,
		unbuffered|windows.FILE_FLAG_WRITE_THROUGH|windows.FILE_FLAG_DELETE_ON_CLOSE, 0)
	if err != nil {
		return nil, inFolder(folder, "make a file in", err)
	}
	t := &target{handle: h, path: folder}
	if err := t.direct(); err != nil {
		_ = t.close() // the first error is told
		return nil, err
	}
	return t, nil
}

// fsctlSetCompression with 0 turns the compression off that a file has from its
// folder (Windows SDK, winioctl.h: FSCTL_SET_COMPRESSION, COMPRESSION_FORMAT_NONE).
const fsctlSetCompression = 0x9C040

// direct refuses a file that the system would change on its way to the drive.
func (t *target) direct() error {
	var none uint16
	var n uint32
	_ = control(t.handle, fsctlSetCompression, (*byte)(unsafe.Pointer(&none)), 2, nil, 0, &n) // what came of it is looked at
	var about windows.ByHandleFileInformation
	if err := windows.GetFileInformationByHandle(t.handle, &about); err != nil {
		return inFolder(t.path, "look at the file in", err)
	}
	if about.FileAttributes&(windows.FILE_ATTRIBUTE_COMPRESSED|windows.FILE_ATTRIBUTE_ENCRYPTED|windows.FILE_ATTRIBUTE_SPARSE_FILE) != 0 {
		return problem(fmt.Sprintf("files in folder %s are compressed or encrypted on their way to the drive", t.path), "name a folder in which they are not")
	}
	return nil
}

// control asks a device, or has a file system do something. A handle that completes
// at a port wants to be told how to wait: the lowest bit of the event keeps what it
// answers away from the port (GetQueuedCompletionStatus, remarks).
func control(h handle, code uint32, in *byte, inSize uint32, out *byte, outSize uint32, n *uint32) error {
	event, err := windows.CreateEvent(nil, 1, 0, nil)
	if err != nil {
		return err
	}
	defer windows.CloseHandle(event)
	o := windows.Overlapped{HEvent: event | 1}
	err = windows.DeviceIoControl(h, code, in, inSize, out, outSize, n, &o)
	if errors.Is(err, windows.ERROR_IO_PENDING) {
		err = windows.GetOverlappedResult(h, &o, n, true)
	}
	return err
}

// room tells how many bytes the program may still write where the file is, and of how
// many.
func (t *target) room() (free, all int64, err error) {
	path, err := windows.UTF16PtrFromString(t.path)
	if err != nil {
		return 0, 0, inFolder(t.path, "look at", err)
	}
	var mine, total, unused uint64
	if err := windows.GetDiskFreeSpaceEx(path, &mine, &total, &unused); err != nil {
		return 0, 0, inFolder(t.path, "look at", err)
	}
	return int64(min(mine, 1<<62)), int64(min(total, 1<<62)), nil
}

// allocate gives the file its size.
func (t *target) allocate(bytes int64) error {
	if err := windows.SetFileInformationByHandle(t.handle, windows.FileEndOfFileInfo, (*byte)(unsafe.Pointer(&bytes)), uint32(unsafe.Sizeof(bytes))); err != nil {
		return inFolder(t.path, fmt.Sprintf("make a file of %d bytes in", bytes), err)
	}
	t.bytes = bytes
	return nil
}

// inFolder tells what cannot be done with a folder, and what to do about it.
func inFolder(folder, deed string, err error) error {
	next := "name another folder"
	switch {
	case errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) || errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED):
		next = "ask for a smaller file, or make room"
	case errors.Is(err, windows.ERROR_ACCESS_DENIED):
		next = "name a folder that you may write, or measure as administrator"
	case errors.Is(err, windows.ERROR_WRITE_PROTECT):
		next = "name a folder on a volume that is not read-only"
	}
	return Problem{fmt.Errorf("%s folder %s: %w", deed, folder, err), next}
}

var physicalDrive = regexp.MustCompile(`^(?i:\\\\\.\\PhysicalDrive[0-9]{1,5})$`)

// openDevice opens a whole drive for reading. Windows lets a drive be opened that is
// in use, so its volumes are looked for: with any it is refused.
func openDevice(named string) (*target, error) {
	if !physicalDrive.MatchString(named) {
		return nil, problem(named+` is no drive`, `name it as \\.\PhysicalDrive1, or measure a folder`)
	}
	name, err := windows.UTF16PtrFromString(named)
	if err != nil {
		return nil, err
	}
	h, err := windows.CreateFile(name, windows.GENERIC_READ, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE, nil, windows.OPEN_EXISTING, unbuffered, 0)
	if err != nil {
		return nil, Problem{fmt.Errorf("open drive %s for reading: %w", named, err), "measure as administrator"}
	}
	t := &target{handle: h, path: named}
	if err := t.free(); err != nil {
		_ = t.close() // the first error is told
		return nil, err
	}
	return t, nil
}

// free asks for the drive's size and number, and refuses one with volumes.
func (t *target) free() error {
	answer, err := ask(t.handle, ioctlGeometry, nil)
	if err != nil {
		return fmt.Errorf("ask drive %s for its size: %w", t.path, err)
	}
	_, size, err := geometry(answer)
	if err != nil {
		return err
	}
	if t.bytes = size / Block * Block; t.bytes < LeastBytes {
		return problem(fmt.Sprintf("drive %s has only %d bytes", t.path, size), "measure a larger one")
	}
	if answer, err = ask(t.handle, ioctlNumber, nil); err == nil {
		t.number, err = driveNumber(answer)
	}
	if err != nil {
		return fmt.Errorf("ask drive %s for its number: %w", t.path, err)
	}
	return unused(t.path, t.number)
}

// settle waits until all that was written has reached the drive.
func (t *target) settle() error { return windows.FlushFileBuffers(t.handle) }

func (t *target) close() error { return windows.CloseHandle(t.handle) }
