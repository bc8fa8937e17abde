package drive

import (
	"context"
	"errors"
	"fmt"
	"os"

	"lendkeep/reconcile/facts"
)

// RemoveImage implements step.Images. What has the name but is another file, or was
// written since it was whole, stays, and is an error.
func (ds Drives) RemoveImage(_ context.Context, made facts.NewImage, keep string) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("remove image %s: %w", made.Path, err)
		}
	}()
	n, err := ds.noted(keep)
	if err != nil {
		return err
	}
	p, err := ds.openPlace(made.Path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.close()) }()
	for _, name := range []string{p.name, p.part} {
		if err := p.removeOwn(name, n); err != nil {
			return err // and the note of it stays
		}
	}
	return ds.forget(keep)
}

// removeOwn removes a file if it is the one that was noted.
func (p *place) removeOwn(name string, n *makingNote) error {
	there, err := p.look(name)
	switch {
	case err != nil || there == nil:
		return err
	case name == p.part && there.regular && there.SizeBytes == 0: // made, and not noted yet
		return p.remove(name)
	case n == nil || there.born != n.File:
		return fmt.Errorf("%s is a file that this order did not make; it stays", name)
	case name == p.name && there.written != n.Whole:
		return fmt.Errorf("%s was written since it was made, so removing it would lose that; it stays: see what it holds, move it away or remove it by hand, then lendkeep rollback", name)
	}
	return p.remove(name)
}

func (ds Drives) forget(keep string) error {
	path, err := ds.notePath(keep)
	if err != nil {
		return err
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}
