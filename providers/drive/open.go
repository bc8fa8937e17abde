package drive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"lendkeep/providers/holding"
	"lendkeep/reconcile/facts"
)

// Drives writes whole drives of this machine. Each deed finds its drive by what
// it is and opens it for itself alone.
type Drives struct {
	Root   string // where /sys and /dev are; "/" when empty
	Folder string // where kept ends lie: the journal's
	Find   Finder // nil: among the NVMe namespaces below Root
	// Openers names who has block devices open; nil: asks every process.
	Openers func(context.Context, []facts.Devno) ([]string, error)
	// Watch is told how far a copy is, in bytes; nil: nobody asks.
	Watch func(phase string, done, total uint64)
	// Systems finds the system that StartAtBoot changes.
	Systems Systems
}

// settle is how long a drive that is busy is asked again: udev looks into every
// device that appears or was written (common practice; no source gives a time).
const settle = 5 * time.Second

// opened is a drive that is open for this process alone.
type opened struct {
	*os.File
	device Device
	drive  facts.Drive

	systems Systems
}

// openDrive finds a drive, opens it for this process alone, and looks again
// whether it is the one: flags are added to those of opening (unix.O_DIRECT).
// It is refused while anything is mounted from it, built on it or has it open,
// and when its number, serial, size or sector is not what was expected. While
// it is open udev leaves it alone (systemd: Locking Block Device Access).
func (ds Drives) openDrive(ctx context.Context, d facts.Drive, flags int) (*opened, error) {
	var file *opened
	err := again(ctx, settle, func() (err error) {
		file, err = ds.openOnce(ctx, d, flags)
		return err
	}, errBusy)
	return file, err
}

// errBusy is of what may be over in a moment.
var errBusy = errors.New("it is in use")

// again tries until something else than one kind of error comes of it, or time
// is over. The last answer stands.
func again(ctx context.Context, within time.Duration, try func() error, while error) error {
	over := time.After(within)
	for {
		err := try()
		if !errors.Is(err, while) {
			return err
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-over:
			return err
		case <-time.After(100 * time.Millisecond):
		}
	}
}

func (ds Drives) openOnce(ctx context.Context, d facts.Drive, flags int) (*opened, error) {
	device, err := ds.find(d)
	if err != nil {
		return nil, err
	}
	if err := ds.unused(ctx, device); err != nil {
		return nil, fmt.Errorf("open drive %s (%s): %w", d.Serial, device.Name, err)
	}
	// O_EXCL without O_CREAT: fails while the device or a partition of it is
	// mounted, swap, or held by device mapper and the like (open(2)).
	file, err := os.OpenFile(device.Node, os.O_RDWR|unix.O_EXCL|unix.O_NOFOLLOW|flags, 0)
	if err != nil {
		if errors.Is(err, unix.EBUSY) {
			err = fmt.Errorf("%w: something of it is mounted, is swap, or belongs to a device built on it: %w", errBusy, err)
		}
		return nil, fmt.Errorf("open drive %s: %w", d.Serial, err)
	}
	o := &opened{File: file, device: device, drive: d, systems: ds.Systems}
	if err := errors.Join(ds.same(o), lock(file), fresh(o)); err != nil {
		_ = file.Close() // nothing was written
		return nil, fmt.Errorf("open drive %s (%s): %w", d.Serial, device.Name, err)
	}
	return o, nil
}

func (ds Drives) root() string {
	if ds.Root == "" {
		return "/"
	}
	return ds.Root
}

func (ds Drives) find(d facts.Drive) (Device, error) {
	if ds.Find != nil {
		return ds.Find(d)
	}
	return FindNVMe(ds.root())(d)
}

// unused says who has the drive or a partition of it open: a guest that does
// claims nothing, so that opening alone would not notice it.
func (ds Drives) unused(ctx context.Context, device Device) error {
	if device.SectorBytes != 0 {
		return nil
	}
	parts, err := partitions(ds.root(), device.Name)
	if err != nil {
		return err
	}
	devices := []facts.Devno{device.Devno}
	for _, p := range parts {
		devices = append(devices, p.devno)
	}
	return ds.nobodyHas(ctx, devices)
}

// nobodyHas says who has any of these devices open.
func (ds Drives) nobodyHas(ctx context.Context, devices []facts.Devno) error {
	ask := ds.Openers
	if ask == nil {
		ask = holding.Openers
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), settle)
	defer cancel()
	users, err := ask(ctx, devices)
	if len(users) > 0 {
		return fmt.Errorf("%w: open in %s", errBusy, strings.Join(users, ", "))
	}
	return err
}

// same compares what was opened with what was meant. The drive is found anew,
// so that its serial is read while it is held.
func (ds Drives) same(o *opened) error {
	now, err := ds.find(o.drive)
	if err != nil {
		return err
	}
	size, sector, devno, err := measure(o.File, now)
	switch {
	case err != nil:
		return err
	case now != o.device:
		return fmt.Errorf("it was %s (%s) and is now %s (%s)", o.device.Name, o.device.Devno, now.Name, now.Devno)
	case devno != now.Devno:
		return fmt.Errorf("%s is device %s, the drive is %s", now.Node, devno, now.Devno)
	case size != o.drive.SizeBytes:
		return fmt.Errorf("it has %d bytes, not %d", size, o.drive.SizeBytes)
	case sector != o.drive.SectorBytes:
		return fmt.Errorf("its sectors have %d bytes, not %d", sector, o.drive.SectorBytes)
	}
	return nil
}

// measure asks an open drive for its size, logical sector and number.
func measure(file *os.File, device Device) (size, sector uint64, devno facts.Devno, err error) {
	stat, err := file.Stat()
	if err != nil {
		return 0, 0, facts.Devno{}, err
	}
	switch {
	case stat.Mode().IsRegular() && device.SectorBytes != 0:
		return uint64(stat.Size()), device.SectorBytes, device.Devno, nil
	case stat.Mode().Type() != fs.ModeDevice:
		return 0, 0, facts.Devno{}, fmt.Errorf("%s is not a block device", device.Node)
	}
	var raw unix.Stat_t
	if err := unix.Fstat(int(file.Fd()), &raw); err != nil {
		return 0, 0, facts.Devno{}, err
	}
	devno = facts.Devno{Major: unix.Major(raw.Rdev), Minor: unix.Minor(raw.Rdev)}
	bytes, err := ioctlUint64(file, unix.BLKGETSIZE64)
	if err != nil {
		return 0, 0, devno, fmt.Errorf("ask %s for its size: %w", device.Node, err)
	}
	logical, err := unix.IoctlGetInt(int(file.Fd()), unix.BLKSSZGET)
	if err != nil {
		return 0, 0, devno, fmt.Errorf("ask %s for its sector size: %w", device.Node, err)
	}
	return bytes, uint64(logical), devno, nil
}

// fresh lets go of what the kernel remembers of the drive: it remembers
// partitions apart from the drive that they are on (kernel block/ioctl.c,
// BLKFLSBUF).
func fresh(o *opened) error {
	if o.device.SectorBytes != 0 {
		return nil
	}
	if err := unix.IoctlSetInt(int(o.Fd()), unix.BLKFLSBUF, 0); err != nil {
		return fmt.Errorf("read it anew: %w", err)
	}
	return nil
}

// lock keeps udev from looking into the drive while it is written, which would
// see a half-written table and hold partitions open.
func lock(file *os.File) error {
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			return fmt.Errorf("%w: it is locked: %w", errBusy, err)
		}
		return fmt.Errorf("lock it: %w", err)
	}
	return nil
}
