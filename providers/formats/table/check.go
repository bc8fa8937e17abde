package table

import (
	"errors"
	"fmt"

	"lendkeep/reconcile/facts"
)

// check says why the table must not be written: because it is none, or because
// the disk holds neither of the two.
func (w *writer) check() error {
	if w.before == nil && w.after == nil {
		return errors.New("from none to none there is nothing to write")
	}
	for _, t := range []*facts.Table{w.before, w.after} {
		if t == nil {
			continue
		}
		if t.Kind != "gpt" {
			return fmt.Errorf("a table of kind %q is not written here", t.Kind)
		}
	}
	if w.after != nil {
		if _, _, err := w.render(w.after); err != nil {
			return err
		}
	}
	boot, err := w.read(0, 1)
	if err != nil {
		return err
	}
	if kind := judge(boot); kind != noRecords && kind != onlyGPT {
		return errors.New("the drive's first sector holds another table or a filesystem")
	}
	return w.holdsEither()
}

// holdsEither looks at every place where a copy may be. One sound copy of
// either table must be there, and none of another; a damaged one beside it is
// what a cut-off leaves. Where there was or shall be no table, no copy at all is
// fine too, as it is then what a cut-off leaves or what was meant.
func (w *writer) holdsEither() error {
	places := []uint64{1, w.blocks - 1}
	for _, t := range []*facts.Table{w.before, w.after} {
		if t != nil && t.BackupAt != w.blocks-1 {
			places = append(places, t.BackupAt)
		}
	}
	var sound, damaged int
	var primary bool
	for _, at := range places {
		h, err := w.half(at)
		if err != nil {
			return err
		}
		switch {
		case w.stale(at):
		case h.found == facts.Sound && !h.is(w.before) && !h.is(w.after):
			return fmt.Errorf("the drive's sector %d holds the header of a table that is neither the old nor the new one", at)
		case h.found == facts.Sound:
			sound++
			primary = primary || at == 1
		case h.found == facts.Damaged:
			damaged++
		}
	}
	w.onBackup = sound > 0 && !primary
	none := sound == 0 && damaged == 0 && (w.before == nil || w.after == nil)
	if sound == 0 && !none {
		return errors.New("the drive holds no sound copy of the old table or the new one")
	}
	return nil
}

// stale tells whether a header in that sector was known to be of an older
// content, and is not one that is meant to be there.
func (w *writer) stale(at uint64) bool {
	return at == w.blocks-1 && w.before != nil && w.before.Stale && w.before.BackupAt != at &&
		(w.after == nil || w.after.BackupAt != at)
}

// is tells whether a copy is one of that table, at its place.
func (h half) is(t *facts.Table) bool {
	if t == nil {
		return false
	}
	first, second := min(h.header.At, h.header.Other), max(h.header.At, h.header.Other)
	return first == 1 && same(h.table(second), t)
}
