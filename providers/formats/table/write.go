package table

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"

	"lendkeep/reconcile/facts"
)

// Disk is what tables are written to; *os.File is one.
type Disk interface {
	io.ReaderAt
	io.WriterAt
	Sync() error
}

// Write turns one GPT into another; nil is none at all. Headers and Stale of the
// two do not count. It is refused, with nothing written, when the disk holds
// neither of them, whole or partly written.
//
// The sequence is that of UEFI 2.10, 5.3.2: the backup first, then the primary,
// each with its entries before its header, and everything synced before the
// next, so that at every moment one copy is whole and is one of the two; where
// the primary is not, it goes first. A header takes one sector, which a drive writes whole or not. Called again
// after a cut-off it comes to the same end, in either direction. A backup that
// has moved is erased at its old place last.
func Write(d Disk, sizeBytes, sectorBytes uint64, before, after *facts.Table) error {
	shape, err := newDisk(d, sizeBytes, sectorBytes)
	if err != nil {
		return fmt.Errorf("write partition table: %w", err)
	}
	w := &writer{disk: shape, to: d, before: sorted(before), after: sorted(after)}
	if err := w.check(); err != nil {
		return fmt.Errorf("write partition table: %w", err)
	}
	if after != nil {
		w.put()
	} else {
		w.takeAway()
	}
	if w.err != nil {
		return fmt.Errorf("write partition table: %w", w.err)
	}
	return w.verify()
}

type writer struct {
	disk
	to            Disk
	before, after *facts.Table
	onBackup      bool   // only a backup is sound: it must stay so until the primary is
	keep          []span // what erasing leaves alone
	err           error  // the first; nothing is written after it
}

// span is some sectors, the last inclusive.
type span struct{ first, last uint64 }

// write writes whole sectors.
func (w *writer) write(at uint64, b []byte) {
	if w.err != nil {
		return
	}
	if _, err := w.to.WriteAt(b, int64(at*w.sector)); err != nil {
		w.err = fmt.Errorf("write sector %d: %w", at, err)
	}
}

func (w *writer) sync() {
	if w.err == nil {
		w.err = w.to.Sync()
	}
}

func (w *writer) load(at, sectors uint64) []byte {
	if w.err != nil {
		return make([]byte, sectors*w.sector)
	}
	var b []byte
	if b, w.err = w.read(at, sectors); w.err != nil {
		return make([]byte, sectors*w.sector)
	}
	return b
}

// put makes the disk hold the table after.
func (w *writer) put() {
	primary, backup, err := w.render(w.after)
	if w.err = err; err != nil {
		return
	}
	sequence := []written{backup, primary}
	if w.onBackup {
		sequence = []written{primary, backup}
	}
	for _, half := range sequence {
		w.write(half.entriesAt, half.entries)
		w.sync()
		w.write(half.headerAt, half.header)
		w.sync()
	}
	boot := w.load(0, 1)
	protected := bytes.Clone(boot)
	if w.protect(protected); !bytes.Equal(boot, protected) {
		w.write(0, protected)
		w.sync()
	}
	if w.before != nil && w.before.BackupAt != w.after.BackupAt {
		w.keep = []span{{backup.entriesAt, backup.headerAt}}
		for _, e := range w.after.Entries {
			w.keep = append(w.keep, span{e.First, e.Last})
		}
		w.erase(w.before.BackupAt, false)
	}
}

// takeAway makes the disk hold no table. The primary goes first: without it no
// system sees partitions, and the backup still says what is being undone.
func (w *writer) takeAway() {
	w.erase(1, true)
	boot := w.load(0, 1)
	if judge(boot) == onlyGPT {
		clear(boot[bootCode:mbrBytes])
		w.write(0, boot)
		w.sync()
	}
	w.erase(w.before.BackupAt, false)
}

// erase makes a copy of the table before zeroes: the header first, and the
// entries that it names, or without it those that ought to be there.
func (w *writer) erase(at uint64, primary bool) {
	if w.err != nil || at >= w.blocks {
		return
	}
	entries, there := w.entriesOf(at, primary)
	if bytes.HasPrefix(w.load(at, 1), []byte(magic)) {
		w.zero(span{at, at})
	}
	if there {
		w.zero(entries)
	}
}

// zero makes sectors zeroes, but those that are to be kept.
func (w *writer) zero(s span) {
	for at := s.first; at <= s.last; at++ {
		if !slices.ContainsFunc(w.keep, func(k span) bool { return k.first <= at && at <= k.last }) {
			w.write(at, make([]byte, w.sector))
		}
	}
	w.sync()
}

// entriesOf finds the entries of the copy of the table before at a sector.
func (w *writer) entriesOf(at uint64, primary bool) (s span, there bool) {
	if h, err := w.half(at); err == nil && h.intact && w.plausible(h.header, at) == nil {
		return span{h.header.EntriesAt, h.header.EntriesAt + w.sectorsOf(h.header.Count) - 1}, true
	}
	front, back, err := w.render(w.before)
	if err != nil {
		return span{}, false // this package did not write it, and its header is gone
	}
	half := back
	if primary {
		half = front
	}
	sectors := uint64(len(half.entries)) / w.sector
	return span{half.entriesAt, half.entriesAt + sectors - 1}, bytes.Equal(w.load(half.entriesAt, sectors), half.entries)
}

// verify reads back what was written.
func (w *writer) verify() error {
	got, err := read(w.to, w.blocks*w.sector, w.sector)
	switch {
	case err != nil:
		return fmt.Errorf("read partition table back: %w", err)
	case w.after == nil && got == nil:
		return nil
	case w.after == nil || got == nil || !same(got, w.after) || got.Primary != facts.Sound || got.Backup != facts.Sound:
		return errors.New("read partition table back: it is not what was written")
	}
	return nil
}

// same compares what a table says, not how its copies are.
func same(a, b *facts.Table) bool {
	return a.Kind == b.Kind && a.ID == b.ID && a.FirstUsable == b.FirstUsable && a.LastUsable == b.LastUsable &&
		a.BackupAt == b.BackupAt && slices.Equal(a.Entries, b.Entries)
}

// sorted gives a table with its entries by number, as they stand on a disk.
func sorted(t *facts.Table) *facts.Table {
	if t == nil {
		return nil
	}
	own := *t
	own.Entries = slices.SortedFunc(slices.Values(t.Entries), func(a, b facts.Entry) int { return cmp.Compare(a.Number, b.Number) })
	return &own
}
