package drive

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// notesMost bounds how many notes of images are looked through.
const notesMost = 10000

// Rooms adds to a survey what is where images go that are made of drives.
func (ds Drives) Rooms(s *facts.Survey, images []string) {
	for _, path := range slices.Compact(slices.Sorted(slices.Values(images))) {
		room := facts.Room{Path: path}
		if err := ds.lookInto(&room); err != nil {
			room = facts.Room{Path: path, Gap: err.Error()}
		}
		s.Rooms = append(s.Rooms, room)
	}
}

func (ds Drives) lookInto(room *facts.Room) error {
	p, err := ds.openPlace(room.Path)
	if err != nil {
		return err
	}
	defer p.close() // only read
	if room.FreeBytes, err = p.freeBytes(); err != nil {
		return err
	}
	part, err := p.look(p.part)
	if err != nil {
		return err
	}
	room.Unfinished = part != nil
	whole, err := p.look(p.name)
	if err != nil || whole == nil {
		return err
	}
	room.From, err = ds.madeFrom(room.Path, whole.born)
	return err
}

// madeFrom gives the serial of the drive of which a file was made, by the note of
// it; "" where there is none. A note that cannot be read is of no file.
func (ds Drives) madeFrom(path string, file born) (string, error) {
	names, err := os.ReadDir(ds.Folder)
	if errors.Is(err, os.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	for _, name := range names[:min(len(names), notesMost)] {
		if !strings.HasSuffix(name.Name(), noteEnd) {
			continue
		}
		n, err := readNote(filepath.Join(ds.Folder, name.Name()))
		if err == nil && n != nil && n.Path == path && n.File == file && n.Whole != (written{}) {
			return n.Serial, nil
		}
	}
	return "", nil
}
