package drive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"reflect"

	"lendkeep/providers/drive/copy"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// MakeImage implements step.Images. Until all of it is there and was read back, the
// file has another name beside (facts.PartOf); which file that is, is noted in the
// folder under the name of what is kept. Called again, it compares all that it wrote
// with the drive and writes what differs: a guest may have run from the drive since,
// and a drive has no stamp that would say so.
func (ds Drives) MakeImage(ctx context.Context, d facts.Drive, holds facts.Table, made facts.NewImage, keep string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("make image %s: %w", made.Path, err)
		}
	}()
	p, err := ds.openPlace(made.Path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.close()) }()
	n, err := ds.noted(keep)
	if err != nil {
		return err
	}
	there, err := p.look(p.name)
	switch {
	case err != nil:
		return err
	case there != nil && n != nil && there.born == n.File && n.Whole != (written{}):
		return nil // it has its name already
	case there != nil:
		return errors.New("a file is there that this order did not make; it stays")
	}
	from, err := ds.openSystem(ctx, d, holds, made)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	return ds.fill(ctx, p, from, made, d, keep)
}

// fill makes the file and everything in it, and gives it its name.
func (ds Drives) fill(ctx context.Context, p *place, from *outgoing, made facts.NewImage, d facts.Drive, keep string) (err error) {
	file, n, err := ds.beginFile(ctx, p, made, d, keep)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	to, err := openNew(file, made)
	if err != nil {
		return err
	}
	err = copy.Copy(ctx, from, to, copy.Options{Mark: facts.UnfinishedMark + keep + "\n", From: "drive", To: "image", Watch: ds.Watch})
	if err := errors.Join(err, to.Close()); err != nil {
		return err
	}
	if err := errors.Join(file.Sync(), wholly(file, made)); err != nil {
		return err
	}
	now, err := lookAtOpen(file)
	if err != nil {
		return err
	}
	named, err := p.look(p.part)
	if err != nil || named == nil || named.born != n.File || now.born != n.File {
		return errors.Join(err, fmt.Errorf("%s is another file by now", p.part))
	}
	n.Whole = now.written
	if err := ds.note(keep, *n); err != nil {
		return err
	}
	return p.finish()
}

// wholly asks the project's own reader whether an image holds what it should.
func wholly(file *os.File, made facts.NewImage) error {
	i, err := reread(file, made.Format)
	if err != nil {
		return err
	}
	defer i.Close() // only read
	got, err := table.Read(i, i.SizeBytes(), imageSector)
	switch {
	case err != nil:
		return err
	case i.SizeBytes() != made.SizeBytes || i.Corrupt() || i.Dirty() || !reflect.DeepEqual(got, &made.Table):
		return errors.New("read back as an image it is not what was written")
	}
	return nil
}

// beginFile gives the unfinished file of this very making, with its tables, or a
// new one.
func (ds Drives) beginFile(ctx context.Context, p *place, made facts.NewImage, d facts.Drive, keep string) (*os.File, *makingNote, error) {
	n, err := ds.noted(keep)
	if err != nil {
		return nil, nil, err
	}
	there, err := p.look(p.part)
	switch {
	case err != nil:
		return nil, nil, err
	case there != nil && (n == nil || there.born != n.File || !there.regular):
		if !there.regular || there.SizeBytes > 0 {
			return nil, nil, fmt.Errorf("%s is there, which this order did not make; it stays", p.part)
		}
		// A cut-off between making it and noting that leaves it empty.
		if err := p.remove(p.part); err != nil {
			return nil, nil, err
		}
		there = nil
	}
	if err := roomy(p, there, made); err != nil {
		return nil, nil, err
	}
	if there == nil {
		return ds.newFile(ctx, p, made, d, keep)
	}
	file, err := p.open(0)
	if err != nil {
		return nil, nil, err
	}
	if err := ds.shaped(ctx, file, made, n, keep); err != nil {
		return nil, nil, errors.Join(err, file.Close())
	}
	return file, n, nil
}

func (ds Drives) newFile(ctx context.Context, p *place, made facts.NewImage, d facts.Drive, keep string) (*os.File, *makingNote, error) {
	file, err := p.create()
	if err != nil {
		return nil, nil, err
	}
	n := &makingNote{Path: made.Path, Serial: d.Serial}
	now, err := lookAtOpen(file)
	if err == nil {
		n.File = now.born
		err = ds.note(keep, *n)
	}
	if err == nil {
		err = ds.shaped(ctx, file, made, n, keep)
	}
	if err != nil {
		return nil, nil, errors.Join(err, file.Close())
	}
	return file, n, nil
}

// shaped gives a file its tables, once.
func (ds Drives) shaped(ctx context.Context, file *os.File, made facts.NewImage, n *makingNote, keep string) error {
	now, err := lookAtOpen(file)
	switch {
	case err != nil:
		return err
	case now.born != n.File:
		return errors.New("its unfinished file is another one by now")
	case n.Shaped:
		return nil
	}
	if err := shape(ctx, file, made); err != nil {
		return err
	}
	n.Shaped = true
	return ds.note(keep, *n)
}

// roomy says whether all of the image would fit; what an earlier try wrote counts.
func roomy(p *place, there *sighting, made facts.NewImage) error {
	free, err := p.freeBytes()
	if err != nil {
		return err
	}
	if there != nil {
		free += there.blocks * 512
	}
	if free < made.MostBytes() {
		return fmt.Errorf("it takes up to %s, and %s are free", facts.Size(made.MostBytes()), facts.Size(free))
	}
	return nil
}
