package drive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"time"

	"lendkeep/providers/drive/copy"
	"lendkeep/providers/drive/image"
	"lendkeep/providers/program"
	"lendkeep/reconcile/facts"
)

// chunk is the least stretch of zeroes that is a hole of its own: a cluster of a
// qcow2 file as qemu-img makes it.
const chunk = 64 << 10

// shapeWithin is how long qemu-img may take to write the tables of a new qcow2 file:
// for 8 TiB they are 1 GiB (QEMU docs/interop/qcow2.txt), on a worn disk.
const shapeWithin = 10 * time.Minute

// shape makes an empty file an image without any data yet. A qcow2 file has all of
// its tables then, and its data a fixed place each, as holes.
func shape(ctx context.Context, file *os.File, made facts.NewImage) error {
	if err := file.Truncate(0); err != nil {
		return err
	}
	if made.Format == "raw" {
		return errors.Join(file.Truncate(int64(made.SizeBytes)), file.Sync())
	}
	ctx, cancel := context.WithTimeout(ctx, shapeWithin)
	defer cancel()
	// By its number: what its name leads to another may have exchanged.
	command := exec.Command("qemu-img", "create", "-q", "-f", "qcow2", "-o", "preallocation=metadata,cluster_size=65536",
		"/proc/self/fd/3", fmt.Sprint(made.SizeBytes))
	command.ExtraFiles = []*os.File{file}
	_, err := program.Run(ctx, command)
	if errors.Is(err, exec.ErrNotFound) {
		return fmt.Errorf("qemu-img is not installed (Debian: qemu-utils); format = \"raw\" goes without: %w", err)
	}
	if err != nil {
		return fmt.Errorf("make an empty qcow2 image: %w", err)
	}
	return file.Sync()
}

// newFile is an image that is being made, as what a disk is copied to. Zeroes are
// holes of its file.
type newFile struct {
	*copy.Device
	places *image.Image // of a qcow2 file; nil: a byte is where the disk has it
	size   int64
}

func openNew(file *os.File, made facts.NewImage) (*newFile, error) {
	device, err := copy.Open(file)
	if err != nil {
		return nil, err
	}
	n := &newFile{Device: device, size: int64(made.SizeBytes)}
	if made.Format == "raw" {
		return n, nil
	}
	if n.places, err = reread(file, made.Format); err == nil && n.places.SizeBytes() != made.SizeBytes {
		err = fmt.Errorf("it is a disk of %d bytes, not %d", n.places.SizeBytes(), made.SizeBytes)
	}
	if err != nil {
		return nil, errors.Join(err, n.Close())
	}
	return n, nil
}

// reread opens an image that is open as a file, and nothing behind it.
func reread(file *os.File, format string) (*image.Image, error) {
	return image.Open(file.Name(), format, func(path string) (image.File, error) {
		if path != file.Name() {
			return nil, fmt.Errorf("%s is behind it, which nobody put there", path)
		}
		return os.Open(fmt.Sprintf("/proc/self/fd/%d", file.Fd()))
	})
}

// SizeBytes implements copy.Target, as do the methods below.
func (n *newFile) SizeBytes() int64 { return n.size }

// each does something with every stretch of the file that a stretch of the disk is
// in; from and to say where in the disk's stretch it is.
func (n *newFile) each(offset, length int64, do func(from, to, host int64) error) error {
	if n.places == nil {
		return do(0, length, offset)
	}
	list, err := n.places.Places(offset, length)
	at := int64(0)
	for _, p := range list {
		if err == nil {
			err = do(at, at+p.Length, p.Host)
		}
		at += p.Length
	}
	return err
}

// ReadAt implements copy.Target.
func (n *newFile) ReadAt(p []byte, offset int64) (int, error) {
	done := 0
	err := n.each(offset, int64(len(p)), func(from, to, host int64) error {
		got, err := n.Device.ReadAt(p[from:to], host)
		if done += got; int64(got) == to-from {
			return nil
		}
		return err
	})
	return done, err
}

// WriteAt implements copy.Target. What is zeroes is made a hole.
func (n *newFile) WriteAt(p []byte, offset int64) (int, error) {
	done := 0
	err := n.each(offset, int64(len(p)), func(from, to, host int64) error {
		for from < to {
			end, zero := alike(p, offset, from, to)
			var err error
			if zero {
				err = n.Device.Zero(host, end-from)
			} else {
				_, err = n.Device.WriteAt(p[from:end], host)
			}
			if err != nil {
				return err
			}
			host += end - from
			done, from = done+int(end-from), end
		}
		return nil
	})
	return done, err
}

var hole [chunk]byte

// alike gives how far chunks of a stretch that begins at an offset of the disk go on
// being zeroes, or not.
func alike(p []byte, offset, from, to int64) (end int64, zero bool) {
	for end = from; end < to; {
		next := min(to, end+chunk-(offset+end)%chunk)
		is := bytes.Equal(p[end:next], hole[:next-end])
		if end > from && is != zero {
			break
		}
		end, zero = next, is
	}
	return end, zero
}

// Zero implements copy.Target.
func (n *newFile) Zero(offset, length int64) error {
	return n.each(offset, length, func(from, to, host int64) error { return n.Device.Zero(host, to-from) })
}

// Close gives up what was opened; the file stays open.
func (n *newFile) Close() error {
	err := n.Device.Close()
	if n.places != nil {
		err = errors.Join(err, n.places.Close())
	}
	return err
}
