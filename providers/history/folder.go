// Package history keeps on the disk what has happened to lent controllers: an
// append-only file of bounded size, and the notes that the guard's hook leaves
// for it. Several processes may use one folder. Start at Folder.
package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/watch"
)

// DefaultLimit is the size in bytes at which a history becomes the old one, of
// which one is kept: together they hold several thousand lends.
const DefaultLimit = 1 << 20

// Names of files in the folder.
const (
	current = "history"
	old     = "history.1"
	made    = "history.new" // a current one that is not in its place yet
	lock    = "history.lock"
)

// How long another writer may take, and how often it is asked.
const (
	lockWithin = 5 * time.Second
	lockAgain  = 20 * time.Millisecond
)

// Folder is where a host's history lies.
type Folder struct {
	Path  string
	Limit int64 // 0: DefaultLimit
}

// Append writes events; when it returns they are on the disk. Whatever a crash
// has left half written is cut off first.
func (f Folder) Append(events ...watch.Event) error {
	if len(events) == 0 {
		return nil
	}
	if err := os.MkdirAll(f.Path, 0o700); err != nil {
		return fmt.Errorf("append to history: %w", err)
	}
	release, err := f.lock()
	if err != nil {
		return fmt.Errorf("append to history: %w", err)
	}
	defer release()
	if err := f.rotate(); err != nil {
		return fmt.Errorf("append to history: %w", err)
	}
	j, err := f.open()
	if err != nil {
		return fmt.Errorf("append to history: %w", err)
	}
	return errors.Join(write(j, events), j.Close())
}

func write(j *journal.Journal, events []watch.Event) error {
	for _, e := range events {
		if err := j.Append(e.Encode()); err != nil {
			return err
		}
	}
	return nil
}

// lock keeps other writers out until release is called.
func (f Folder) lock() (release func(), err error) {
	l := files.Lock(f.name(lock))
	ctx, cancel := context.WithTimeout(context.Background(), lockWithin)
	defer cancel()
	if _, err := l.TryLockContext(ctx, lockAgain); err != nil {
		return nil, fmt.Errorf("lock history: %w", err)
	}
	return func() { _ = l.Close() }, nil
}

func (f Folder) name(file string) string { return filepath.Join(f.Path, file) }

// open gives the current history to append to.
func (f Folder) open() (*journal.Journal, error) {
	j, _, err := journal.Open(f.name(current))
	if errors.Is(err, fs.ErrNotExist) {
		return journal.Create(f.name(current))
	}
	return j, err
}

// rotate makes a history that has grown too large the old one. The new one begins
// with what must not be forgotten, and is complete before it is in its place;
// a rotation that was cut off is ended first.
func (f Folder) rotate() error {
	stat, err := os.Stat(f.name(current))
	if errors.Is(err, fs.ErrNotExist) {
		err = f.rename(made, current)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}
	if err != nil || stat.Size() < f.limit() {
		return err
	}
	events, err := f.read()
	if err != nil {
		return err
	}
	if err := os.Remove(f.name(made)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	j, err := journal.Create(f.name(made))
	if err != nil {
		return err
	}
	if err := errors.Join(write(j, watch.Fold(events).Standing()), j.Close()); err != nil {
		return err
	}
	if err := f.rename(current, old); err != nil {
		return err
	}
	return f.rename(made, current)
}

// rename renames a file of the folder; when it returns the disk has it so.
func (f Folder) rename(from, to string) error {
	if err := os.Rename(f.name(from), f.name(to)); err != nil {
		return err
	}
	return files.SyncFolder(f.Path)
}

func (f Folder) limit() int64 {
	if f.Limit > 0 {
		return f.Limit
	}
	return DefaultLimit
}

// Read gives every event that is kept, the oldest first. A folder that is not
// there has none.
func (f Folder) Read() ([]watch.Event, error) {
	if _, err := os.Stat(f.name(lock)); errors.Is(err, fs.ErrNotExist) {
		return nil, nil // nothing was ever written
	}
	release, err := f.lock()
	if err != nil {
		return nil, fmt.Errorf("read history: %w", err)
	}
	defer release()
	events, err := f.read()
	if err != nil {
		return nil, fmt.Errorf("read history: %w", err)
	}
	return events, nil
}

func (f Folder) read() ([]watch.Event, error) {
	var list []watch.Event
	for _, name := range []string{old, current} {
		events, err := readFile(f.name(name))
		if errors.Is(err, fs.ErrNotExist) && name == current {
			events, err = readFile(f.name(made)) // a rotation was cut off
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		list = append(list, events...)
	}
	return list, nil
}

func readFile(name string) ([]watch.Event, error) {
	records, err := journal.ReadFile(name)
	if err != nil {
		return nil, err
	}
	var list []watch.Event
	for _, record := range records {
		e, err := watch.Decode(record)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		list = append(list, e)
	}
	return list, nil
}

// Mend puts files aside that cannot be read, so that history goes on without
// them, and gives their new names.
func (f Folder) Mend() ([]string, error) {
	if _, err := os.Stat(f.Path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	release, err := f.lock()
	if err != nil {
		return nil, fmt.Errorf("mend history: %w", err)
	}
	defer release()
	var list []string
	for _, name := range []string{old, current, made} {
		_, err := readFile(f.name(name))
		if err == nil || errors.Is(err, fs.ErrNotExist) {
			continue
		}
		aside := name + ".damaged-" + time.Now().UTC().Format("20060102T150405.000000000Z")
		if err := f.rename(name, aside); err != nil {
			return list, fmt.Errorf("mend history: %w", err)
		}
		list = append(list, f.name(aside))
	}
	return list, nil
}
