package drive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"time"
	"unicode/utf8"

	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/probe"
	"lendkeep/providers/formats/table"
	"lendkeep/providers/program"
	"lendkeep/reconcile/facts"
)

// partitionWithin is how long the kernel may take to show a partition.
const partitionWithin = 10 * time.Second

// maker is a program that makes filesystems of one kind.
type maker struct {
	program   string
	labelMost int // bytes (xfs: XFSLABEL_MAX; ext4: EXT2_LABEL_LEN)
	force     string
	identity  func(uuid string) []string
}

var makers = map[string]maker{
	"xfs":  {"mkfs.xfs", 12, "-f", func(uuid string) []string { return []string{"-q", "-m", "uuid=" + uuid} }},
	"ext4": {"mkfs.ext4", 16, "-F", func(uuid string) []string { return []string{"-q", "-U", uuid} }},
}

var uuidForm = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

// MakeFilesystem makes a filesystem on a partition, once the kernel shows it.
// One that is there already, with that identity and whole, stays; another, what
// has another signature, and what cannot be told, goes only with over.
func (ds Drives) MakeFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem, over bool) error {
	m, known := makers[made.Kind]
	if !known || !uuidForm.MatchString(made.UUID) {
		return fmt.Errorf("make filesystem of kind %q and identity %q: not possible", made.Kind, made.UUID)
	}
	return ds.with(ctx, d, "make filesystem on drive", func(file *opened) error {
		node, err := ds.nodeOf(ctx, file, on)
		if err != nil {
			return err
		}
		held, err := file.reopened(ctx)
		if err != nil {
			return err
		}
		defer held.Close() // only read
		there, err := lookAt(ctx, node, made)
		switch {
		case there == whole:
			return err
		case there == part:
			return fmt.Errorf("partition %d (%s) holds that filesystem already, unfinished or in need of repair; it stays", on.Number, node)
		case there == another && !over:
			return errors.Join(fmt.Errorf("partition %d (%s) holds something else", on.Number, node), err)
		case there == another:
			// What an array keeps at the end would outlive the new filesystem.
			if err := clearEnds(node); err != nil {
				return fmt.Errorf("clear partition %d (%s): %w", on.Number, node, err)
			}
		case err != nil:
			return err
		}
		arguments := m.identity(made.UUID)
		if label := shortened(made.Label, m.labelMost); label != "" {
			arguments = append(arguments, "-L", label)
		}
		if there == another {
			arguments = append(arguments, m.force)
		}
		if err := program.Do(ctx, m.program, append(arguments, node)...); err != nil {
			return err
		}
		return madeIt(ctx, node, made)
	})
}

// reopened gives up what keeps others from the drive, since mkfs opens the
// partition for itself alone; a handle for reading stays, so that the kernel
// gives the names to no other drive meanwhile, and udev stays away.
func (o *opened) reopened(ctx context.Context) (*os.File, error) {
	held, err := os.Open(o.device.Node)
	if err != nil {
		return nil, err
	}
	one, err1 := o.Stat()
	other, err2 := held.Stat()
	if err := errors.Join(err1, err2); err != nil || !os.SameFile(one, other) {
		return nil, errors.Join(err, held.Close(), errors.New("the drive's node was exchanged"))
	}
	// A copy of the handle for reading only takes the place of the exclusive one,
	// which ends here.
	if err := unix.Dup3(int(held.Fd()), int(o.Fd()), unix.O_CLOEXEC); err != nil {
		return nil, errors.Join(err, held.Close())
	}
	if err := again(ctx, settle, func() error { return lock(held) }, errBusy); err != nil {
		return nil, errors.Join(err, held.Close())
	}
	return held, nil
}

// nodeOf gives the device node of a partition. The drive's own table must have
// that entry, and the kernel a partition of just those bytes.
func (ds Drives) nodeOf(ctx context.Context, file *opened, on facts.Entry) (string, error) {
	if err := file.holds(on); err != nil {
		return "", err
	}
	first, end := on.First*file.drive.SectorBytes, (on.Last+1)*file.drive.SectorBytes
	var node string
	err := again(ctx, partitionWithin, func() error {
		list, err := partitions(ds.root(), file.device.Name)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(list, func(p partition) bool { return p.start*512 == first && p.end*512 == end })
		if i < 0 {
			return fmt.Errorf("%w: partition %d, bytes %d to %d", errUnseen, on.Number, first, end)
		}
		node = filepath.Join(ds.root(), "dev", list[i].name)
		var stat unix.Stat_t
		if err := unix.Stat(node, &stat); err != nil {
			return fmt.Errorf("%w: %s: %w", errUnseen, node, err)
		}
		if devno := (facts.Devno{Major: unix.Major(stat.Rdev), Minor: unix.Minor(stat.Rdev)}); devno != list[i].devno || stat.Mode&unix.S_IFMT != unix.S_IFBLK {
			return fmt.Errorf("%s is device %s, the partition is %s", node, devno, list[i].devno)
		}
		return nil
	}, errUnseen)
	return node, err
}

var errUnseen = errors.New("the kernel does not show it")

// holds says whether the drive's own table has that very entry.
func (o *opened) holds(on facts.Entry) error {
	t, err := table.Read(o.File, o.drive.SizeBytes, o.drive.SectorBytes)
	if err != nil {
		return err
	}
	if t == nil || !slices.Contains(t.Entries, on) {
		return fmt.Errorf("its table has no partition %d (%s) with that identity and place", on.Number, on.ID)
	}
	return nil
}

// holds is what a partition holds, seen from a filesystem that is to be there.
type holds int

const (
	nothing holds = iota // no signature
	whole                // that very filesystem, clean
	part                 // that very identity, not clean: its making was cut off, or it was used
	another
)

// lookAt looks into a partition by our own reading and by blkid's: nothing is
// there only where neither sees anything. What cannot be told is another, and
// why.
func lookAt(ctx context.Context, node string, made facts.NewFilesystem) (holds, error) {
	file, err := os.Open(node)
	if err != nil {
		return another, err
	}
	defer file.Close() // only read
	size, err := ioctlUint64(file, unix.BLKGETSIZE64)
	if err != nil {
		return another, err
	}
	there, err := held(content.Look(file, 0, size), made)
	if err != nil || there != nothing {
		return there, err
	}
	answer, err := probe.Blkid(ctx, file, 0, size)
	if err != nil || answer != (probe.Answer{}) {
		return another, err
	}
	return nothing, nil
}

// clearEnds makes both ends of a partition zeroes.
func clearEnds(node string) error {
	file, err := os.OpenFile(node, os.O_WRONLY|unix.O_EXCL, 0)
	if err != nil {
		return err
	}
	end, err := file.Seek(0, io.SeekEnd)
	length := min(end, endBytes)
	for _, at := range []int64{0, end - length} {
		if err == nil {
			_, err = file.WriteAt(make([]byte, length), at)
		}
	}
	return errors.Join(err, file.Sync(), file.Close())
}

func held(found facts.Volume, made facts.NewFilesystem) (holds, error) {
	s := found.Signature
	switch {
	case found.Gap != "":
		return another, errors.New(found.Gap)
	case s == nil:
		return nothing, nil
	case s.UUID != made.UUID || s.Kind != made.Kind:
		return another, nil
	case found.Condition == facts.Clean:
		return whole, nil
	}
	return part, nil
}

func madeIt(ctx context.Context, node string, made facts.NewFilesystem) error {
	there, err := lookAt(ctx, node, made)
	if err == nil && there != whole {
		err = fmt.Errorf("%s does not hold the %s that was made there", node, made.Kind)
	}
	return err
}

// shortened cuts a label to so many bytes, between two characters.
func shortened(label string, most int) string {
	for len(label) > most {
		_, size := utf8.DecodeLastRuneInString(label)
		label = label[:len(label)-size]
	}
	return label
}

// ClearFilesystem takes the signature of a filesystem with that identity away;
// where none is, it is gone already. Another is left alone, with an error.
func (ds Drives) ClearFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem) error {
	return ds.with(ctx, d, "clear filesystem on drive", func(file *opened) error {
		if err := file.holds(on); err != nil {
			return err
		}
		first, size := on.First*d.SectorBytes, (on.Last-on.First+1)*d.SectorBytes
		there, err := held(content.Look(file.File, first, size), made)
		switch {
		case err != nil:
			return err
		case there == nothing:
			return nil
		case there == another:
			return fmt.Errorf("partition %d holds another filesystem, which stays", on.Number)
		}
		if _, err := file.WriteAt(make([]byte, min(size, endBytes)), int64(first)); err != nil {
			return err
		}
		return file.settled(ctx)
	})
}
