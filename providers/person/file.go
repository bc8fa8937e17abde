package person

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"lendkeep/providers/files"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/strict"
)

// File keeps confirmations in a file, a JSON list of names. It belongs to one
// process at a time: the lock of the host's journals sees to that.
type File struct{ Path string }

// Read gives what is kept; a file that is not there keeps nothing.
func (f File) Read() ([]string, error) {
	content, err := files.Read(f.Path, mostBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read confirmations: %w", err)
	}
	var list []string
	if err := strict.Read(content, mostBytes, &list); err != nil {
		return nil, fmt.Errorf("read confirmations in %s: %w", f.Path, err)
	}
	return list, nil
}

// Confirm implements step.Person.
func (f File) Confirm(ctx context.Context, s *step.ByHand) error {
	return f.change(func(list []string) []string { return append(list, s.Name()) })
}

// Forget implements step.Person.
func (f File) Forget(ctx context.Context, s *step.ByHand) error {
	return f.change(func(list []string) []string {
		return slices.DeleteFunc(list, func(name string) bool { return name == s.Name() })
	})
}

// mostBytes bounds the file: a name has some hundred bytes.
const mostBytes = 1 << 20

// most is how many confirmations are kept; an order has a handful, and only its
// own count.
const most = 100

func (f File) change(edit func([]string) []string) error {
	list, err := f.Read()
	if err != nil {
		return err
	}
	list = edit(list)
	content, err := json.Marshal(list[max(0, len(list)-most):])
	if err != nil {
		return fmt.Errorf("keep confirmations: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(f.Path), 0o700); err != nil {
		return fmt.Errorf("keep confirmations: %w", err)
	}
	if err := files.Write(f.Path, append(content, '\n'), files.Private); err != nil {
		return fmt.Errorf("keep confirmations: %w", err)
	}
	return nil
}
