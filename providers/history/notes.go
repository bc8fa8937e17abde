package history

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/watch"
)

// notes is the folder of what the guard's hook has to tell. The hook never
// waits for the history's lock: it writes one small file a note, which the
// watch takes over.
const notes = "notes"

// maxNotes bounds the folder where nobody watches; the oldest notes go first.
const maxNotes = 500

// maxNote bounds a note, in bytes: one holds an event.
const maxNote = 2 << 20

// half is how a note begins its name while it is written.
const half = "."

// Note leaves a note. It is not waited for until it is on the disk: libvirt
// waits for the hook, and a power cut ends what the note tells of as well.
func (f Folder) Note(e watch.Event) error {
	folder := f.name(notes)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("leave note: %w", err)
	}
	f.trim()
	// Names begin with the time, in digits of one length until the year 2286.
	file, err := os.CreateTemp(folder, fmt.Sprintf("%s%d-*", half, e.At.UnixNano()))
	if err != nil {
		return fmt.Errorf("leave note: %w", err)
	}
	_, err = file.Write(append(e.Encode(), '\n'))
	if err = errors.Join(err, file.Close()); err == nil {
		name := strings.TrimPrefix(filepath.Base(file.Name()), half)
		err = os.Rename(file.Name(), filepath.Join(folder, name))
	}
	if err != nil {
		return fmt.Errorf("leave note: %w", err)
	}
	return nil
}

func (f Folder) trim() {
	list, err := f.list()
	if err != nil || len(list) < maxNotes {
		return
	}
	for _, name := range list[:len(list)-maxNotes+1] {
		_ = os.Remove(filepath.Join(f.name(notes), name)) // another hook may have been quicker
	}
}

func (f Folder) list() ([]string, error) {
	entries, err := os.ReadDir(f.name(notes))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var list []string
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), half) {
			list = append(list, entry.Name())
		}
	}
	slices.Sort(list)
	return list, err
}

// Notes gives the notes that were left, the oldest first; each says in its
// field Note by which name it is dropped. One that cannot be read, as a power
// cut leaves it, is given among the damaged.
func (f Folder) Notes() (list []watch.Event, damaged []string, err error) {
	names, err := f.list()
	if err != nil {
		return nil, nil, fmt.Errorf("read notes: %w", err)
	}
	for _, name := range names {
		content, err := files.Read(filepath.Join(f.name(notes), name), maxNote)
		if errors.Is(err, fs.ErrNotExist) {
			continue // trimmed since
		}
		if err != nil {
			return list, damaged, fmt.Errorf("read notes: %w", err)
		}
		e, err := watch.Decode(content)
		if err != nil {
			damaged = append(damaged, name)
			continue
		}
		e.Note = name
		list = append(list, e)
	}
	return list, damaged, nil
}

// Drop removes notes, once they are in the history.
func (f Folder) Drop(names ...string) error {
	var wrong error
	for _, name := range names {
		if err := os.Remove(filepath.Join(f.name(notes), filepath.Base(name))); err != nil && !errors.Is(err, fs.ErrNotExist) {
			wrong = errors.Join(wrong, fmt.Errorf("drop note: %w", err))
		}
	}
	return wrong
}
