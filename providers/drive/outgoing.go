package drive

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/image"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// outgoing is what goes from a drive into an image: the partitions of the image's
// table at their places, that table, and zeroes for all the rest, whatever the drive
// has there. It is a copy.Source.
type outgoing struct {
	drive  *opened
	past   *os.File   // the same drive, past the page cache
	held   []*os.File // its partitions that go, open for this process alone
	made   facts.NewImage
	front  []byte // what the image begins with: boot code, table
	back   []byte // what it ends with
	before *facts.Table
}

// Where an image has its tables (UEFI 2.10, 5.3.2; facts.ImageOf).
const (
	frontBytes = 34 * imageSector
	backBytes  = 33 * imageSector
	bootBytes  = 440 // of the boot code in front of a first sector's table (UEFI 2.10, table 5.1)
)

// openSystem opens for reading what goes from a drive, which must hold exactly that
// table. Partitions that stay on it may be in use, the others by nobody: each is
// opened for this process alone.
func (ds Drives) openSystem(ctx context.Context, d facts.Drive, holds facts.Table, made facts.NewImage) (*outgoing, error) {
	again, err := facts.ImageOf(made.Path, made.Format, holds, made.Table.Entries)
	if err == nil && !reflect.DeepEqual(again, made) {
		err = errors.New("its table is not what comes of the drive's")
	}
	if err != nil {
		return nil, fmt.Errorf("take drive %s apart: %w", d.Serial, err)
	}
	device, err := ds.find(d)
	if err != nil {
		return nil, err
	}
	going, err := ds.going(ctx, device, made.Table.Entries)
	if err != nil {
		return nil, fmt.Errorf("open drive %s (%s): %w", d.Serial, device.Name, err)
	}
	file, err := os.OpenFile(device.Node, os.O_RDONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("open drive %s: %w", d.Serial, err)
	}
	s := &outgoing{drive: &opened{File: file, device: device, drive: d}, made: made, before: &holds}
	if err := s.begin(ds, going); err != nil {
		return nil, errors.Join(fmt.Errorf("open drive %s (%s): %w", d.Serial, device.Name, err), s.Close())
	}
	return s, nil
}

func (s *outgoing) begin(ds Drives, going []partition) error {
	if err := ds.same(s.drive); err != nil {
		return err
	}
	// Whoever writes tables takes this lock (systemd: Locking Block Device Access).
	if err := unix.Flock(int(s.drive.Fd()), unix.LOCK_SH|unix.LOCK_NB); err != nil {
		return fmt.Errorf("%w: it is locked: %w", errBusy, err)
	}
	if err := s.hold(ds.root(), going); err != nil {
		return err
	}
	if err := s.holds(); err != nil {
		return err
	}
	var err error
	if s.past, err = direct(s.drive.File); err != nil {
		return err
	}
	return s.write()
}

// going gives the partitions that go as the kernel has them, once nobody has one of
// them or the whole drive open: asked before this process does itself.
func (ds Drives) going(ctx context.Context, device Device, entries []facts.Entry) ([]partition, error) {
	if device.SectorBytes != 0 {
		return nil, nil // a file that stands in for a drive
	}
	parts, err := partitions(ds.root(), device.Name)
	if err != nil {
		return nil, err
	}
	devices := []facts.Devno{device.Devno}
	var list []partition
	for _, e := range entries {
		at := slices.IndexFunc(parts, func(p partition) bool { return p.start == e.First && p.end == e.Last+1 }) // all in 512 bytes
		if at < 0 {
			return nil, fmt.Errorf("the kernel shows no partition %d there: have it read the table again (partprobe)", e.Number)
		}
		list, devices = append(list, parts[at]), append(devices, parts[at].devno)
	}
	return list, ds.nobodyHas(ctx, devices)
}

// hold opens each partition that goes for this process alone, so that nobody mounts
// it or starts a guest with it meanwhile.
func (s *outgoing) hold(root string, going []partition) error {
	for _, p := range going {
		file, err := os.OpenFile(filepath.Join(root, "dev", p.name), os.O_RDONLY|unix.O_EXCL|unix.O_NOFOLLOW, 0)
		if err != nil {
			return fmt.Errorf("%w: partition %s: %w", errBusy, p.name, err)
		}
		s.held = append(s.held, file)
		var raw unix.Stat_t
		if err := unix.Fstat(int(file.Fd()), &raw); err != nil {
			return err
		}
		if now := (facts.Devno{Major: unix.Major(raw.Rdev), Minor: unix.Minor(raw.Rdev)}); now != p.devno {
			return fmt.Errorf("%s is device %s, the partition is %s", p.name, now, p.devno)
		}
	}
	return nil
}

// holds says why the drive does not hold the table that it was taken apart by.
func (s *outgoing) holds() error {
	// What the kernel remembers may be older than what is there (posix_fadvise(2)).
	_ = unix.Fadvise(int(s.drive.Fd()), 0, 0, unix.FADV_DONTNEED)
	now, err := table.Read(s.drive, s.drive.drive.SizeBytes, s.drive.drive.SectorBytes)
	if err == nil && !reflect.DeepEqual(now, s.before) {
		err = errors.New("its partition table is not the one that the order was written for; plan again")
	}
	return err
}

// SizeBytes implements copy.Source, as do the methods below.
func (s *outgoing) SizeBytes() uint64 { return s.made.SizeBytes }

// ReadAt implements copy.Source.
func (s *outgoing) ReadAt(p []byte, offset int64) (int, error) {
	clear(p)
	for _, e := range s.made.Table.Entries {
		from, to := max(offset, int64(e.First)*imageSector), min(offset+int64(len(p)), int64(e.Last+1)*imageSector)
		if from >= to {
			continue
		}
		if n, err := s.past.ReadAt(p[from-offset:to-offset], from); int64(n) < to-from {
			return 0, fmt.Errorf("read drive %s (%s) at byte %d: %w", s.drive.drive.Serial, s.drive.device.Name, from+int64(n), err)
		}
	}
	s.ends(offset, int64(len(p)), func(at int64, part []byte) { copy(p[at:], part) })
	return len(p), nil
}

// Extents implements copy.Source. Which parts of a partition are zeroes nobody says
// before they are read.
func (s *outgoing) Extents(ctx context.Context, yield func(image.Extent) error) error {
	var end int64
	for _, span := range s.spans() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if span[0] > end {
			if err := yield(image.Extent{Offset: end, Length: span[0] - end, Zero: true}); err != nil {
				return err
			}
		}
		if err := yield(image.Extent{Offset: span[0], Length: span[1] - span[0]}); err != nil {
			return err
		}
		end = span[1]
	}
	return nil
}

// Stamp implements copy.Source: which drive, and the table that it has now. That
// nobody writes the partitions is seen to by holding them.
func (s *outgoing) Stamp() string {
	if s.holds() != nil {
		return ""
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %d %v", s.drive.drive.Serial, s.drive.drive.Namespace, *s.before))
	return fmt.Sprintf("%x", sum[:16])
}

// Forget implements copy.Source. What is read past the page cache is not in it.
func (s *outgoing) Forget(int64, int64) {}

// Close lets go of the drive.
func (s *outgoing) Close() error {
	var all []error
	for _, file := range append(s.held, s.past, s.drive.File) {
		if file != nil {
			all = append(all, file.Close())
		}
	}
	return errors.Join(all...)
}
