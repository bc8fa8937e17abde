package firmware

import (
	"errors"
	"io/fs"
	"path"
	"strings"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// seenShim is an answer about a shim disk as it was then.
type seenShim struct {
	bytes   int64
	changed time.Time
	answer  facts.PlacedShim
}

// shims lists lendkeep's own files in the folder for shim disks, and says why
// QEMU could read none there.
func (h *Host) shims(s *facts.Survey) {
	folder := strings.TrimPrefix(facts.ShimFolder, "/")
	entries, err := fs.ReadDir(h.root, folder)
	if err != nil {
		s.ShimGap = files.Cause(err).Error()
	} else {
		s.ShimGap = h.closed(folder)
	}
	for _, entry := range entries {
		named := path.Join(facts.ShimFolder, entry.Name())
		if facts.IsShim(named) {
			s.Shims = append(s.Shims, h.shim(named))
		}
	}
}

// closed says which folder on the way QEMU's own user cannot pass; empty for
// none. libvirt opens up the disk alone.
func (h *Host) closed(folder string) string {
	for ; folder != "."; folder = path.Dir(folder) {
		about, err := fs.Stat(h.root, folder)
		if err != nil {
			return files.Cause(err).Error()
		}
		if about.Mode().Perm()&0o001 == 0 {
			return "only its owner and group can pass /" + folder + " (mode " + about.Mode().Perm().String() + ")"
		}
	}
	return ""
}

func (h *Host) shim(named string) facts.PlacedShim {
	none := func(err error) facts.PlacedShim {
		return facts.PlacedShim{Shim: facts.Shim{Path: named}, Why: files.Cause(err).Error()}
	}
	about, err := fs.Stat(h.root, strings.TrimPrefix(named, "/"))
	if err != nil {
		return none(err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if s, known := h.disks[named]; known && s.bytes == about.Size() && s.changed.Equal(about.ModTime()) {
		return s.answer
	}
	content, err := readImageFile(h.root, named)
	if err != nil {
		return none(err)
	}
	var answer facts.PlacedShim
	if shim, err := ReadShim(content); err != nil {
		answer = none(err)
	} else if is, err := shim.fact(named); err != nil {
		answer = none(err)
	} else {
		answer = facts.PlacedShim{Shim: is}
	}
	h.disks[named] = seenShim{about.Size(), about.ModTime(), answer}
	return answer
}

func (h *Host) store(name string) facts.VariableStore {
	store := facts.VariableStore{Path: name, Keys: facts.Unknown}
	content, err := readImageFile(h.root, name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		store.Missing, store.Why, store.Unread = true, files.Cause(err).Error(), files.Cause(err).Error()
		return store
	case err != nil:
		store.Why, store.Unread = files.Cause(err).Error(), files.Cause(err).Error()
		return store
	}
	store.SHA256 = hashOf(content)
	_, notRaw := findStore(content)
	store.Raw = notRaw == nil
	variables, err := ReadVariables(content)
	boot := ReadBoot(variables)
	store.Entries, store.Next = boot.facts(), boot.Next
	switch {
	case err != nil:
		store.Unread = err.Error()
	case len(boot.Gaps) > 0:
		store.Unread = boot.Gaps[0]
	}
	switch {
	case Enrolled(variables):
		store.Keys = facts.Present
	case err != nil:
		store.Why = err.Error()
	default:
		store.Keys = facts.Absent
	}
	return store
}
