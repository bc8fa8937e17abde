package drive

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"lendkeep/providers/drive/copy"
	"lendkeep/providers/drive/image"
	"lendkeep/reconcile/facts"
)

// imageSector is the logical sector of every image: its tables count in that.
const imageSector = 512

// Copy implements step.Drives. Until it is whole the drive begins with
// facts.UnfinishedMark and the name of what is kept; how far it has come lies
// in the folder under that name. The image must be the one that was looked at,
// and nobody may have it open for writing, before and after. No file is opened
// that from does not name, whatever a header says.
func (ds Drives) Copy(ctx context.Context, from facts.Source, d facts.Drive, keep string) error {
	i, err := image.Open(from.Path, from.Format, func(path string) (image.File, error) {
		if path != from.Path && !slices.ContainsFunc(from.Behind, func(f facts.ImageFile) bool { return f.Path == path }) {
			return nil, fmt.Errorf("%s is now behind it, which the order does not name: plan again", path)
		}
		return image.OpenFile(filepath.Join(ds.root(), path))
	})
	if err != nil {
		return err
	}
	err = ds.copyImage(ctx, i, from, d, keep)
	return errors.Join(err, i.Close())
}

func (ds Drives) copyImage(ctx context.Context, i *image.Image, from facts.Source, d facts.Drive, keep string) error {
	if err := sameImage(i, from); err != nil {
		return fmt.Errorf("copy %s: %w", from.Path, err)
	}
	if err := i.Hold(); err != nil {
		return fmt.Errorf("copy %s: %w; shut down what uses it", from.Path, err)
	}
	if err := ds.unwritten(i); err != nil {
		return fmt.Errorf("copy %s: %w; shut down what uses it", from.Path, err)
	}
	switch {
	case d.SizeBytes < from.SizeBytes:
		return fmt.Errorf("copy %s: it is a disk of %d bytes, drive %s has only %d", from.Path, from.SizeBytes, d.Serial, d.SizeBytes)
	case d.SectorBytes != imageSector:
		return fmt.Errorf("copy %s: its table counts in sectors of %d bytes, drive %s has sectors of %d: nothing would find its partitions", from.Path, imageSector, d.Serial, d.SectorBytes)
	}
	if err := ds.copyTo(ctx, i, d, keep); err != nil {
		return err
	}
	// Who writes without QEMU's locks is seen only so.
	if err := errors.Join(sameImage(i, from), ds.unwritten(i)); err != nil {
		return fmt.Errorf("copy %s: it is no longer what was copied: %w; the copy must be made anew", from.Path, err)
	}
	return nil
}

// copyTo opens the drive, copies, and has the kernel see what came of it.
func (ds Drives) copyTo(ctx context.Context, i *image.Image, d facts.Drive, keep string) (err error) {
	file, err := ds.openDrive(ctx, d, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	record, err := ds.recordOf(keep)
	if err != nil {
		return err
	}
	target, err := copy.Open(file.File)
	if err != nil {
		return err
	}
	err = copy.Copy(ctx, i, target, copy.Options{
		Mark:   facts.UnfinishedMark + keep + "\n",
		Record: record,
		Drive:  fmt.Sprintf("%s/%d, %d bytes", d.Serial, d.Namespace, d.SizeBytes),
		From:   "image", To: "drive",
		Watch: ds.Watch,
	})
	if err := errors.Join(err, target.Close()); err != nil {
		return err
	}
	return file.settled(ctx)
}

// recordOf is where a copy keeps how far it has come.
func (ds Drives) recordOf(keep string) (string, error) {
	if !facts.KeepName(keep) {
		return "", fmt.Errorf("keep a record under the name %q: not possible", keep)
	}
	return filepath.Join(ds.Folder, keep+".copy"), nil
}

// sameImage compares an image with what it was when it was looked at.
func sameImage(i *image.Image, from facts.Source) error {
	switch {
	case i.SizeBytes() != from.SizeBytes:
		return fmt.Errorf("it is a disk of %d bytes, not %d", i.SizeBytes(), from.SizeBytes)
	case i.Stamp() != from.Stamp:
		return errors.New("it was written since it was looked at")
	case !slices.Equal(behind(i), from.Behind):
		return errors.New("what it is based on is not what it was when it was looked at")
	case i.Corrupt():
		return errors.New("it is marked as having damaged tables, so that what is read of it may be wrong: see qemu-img check")
	}
	return nil
}
