package copy

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/strict"
)

// identity is what a record is of; it stands in the record's first line.
type identity struct {
	Stamp     string `json:"image"`
	SizeBytes int64  `json:"size_bytes"`
	Drive     string `json:"drive"`
}

// line is each further line of a record.
type line struct {
	At int64 `json:"at"` // up to here the drive was read back
}

const maxLine = 1 << 16 // bytes

// record keeps on the disk how far a copy has come.
type record struct {
	path    string
	journal *journal.Journal
	last    int64
}

// openRecord opens the record of this very copy and tells how far it came.
// There is none when it is of another image or drive or cannot be made out: then
// the copy begins anew, which is always right.
func openRecord(path string, of identity) (*record, int64) {
	j, lines, err := journal.Open(path)
	if err != nil {
		return nil, 0
	}
	at, ok := readRecord(lines, of)
	if !ok {
		_ = j.Close() // nothing was written
		return nil, 0
	}
	return &record{path, j, at}, at
}

func readRecord(lines [][]byte, of identity) (at int64, ok bool) {
	var first identity
	if len(lines) == 0 || strict.ReadWhole(lines[0], maxLine, &first) != nil || first != of {
		return 0, false
	}
	for _, text := range lines[1:] {
		var l line
		if strict.ReadWhole(text, maxLine, &l) != nil || l.At < at || l.At > of.SizeBytes {
			return 0, false
		}
		at = l.At
	}
	return at, true
}

// newRecord begins a record; an old one at that path is of no use any more.
func newRecord(path string, of identity) (*record, error) {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("begin record of the copy: %w", err)
	}
	j, err := journal.Create(path)
	if err != nil {
		return nil, fmt.Errorf("begin record of the copy: %w", err)
	}
	text, err := json.Marshal(of)
	if err == nil {
		err = j.Append(text)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("begin record of the copy: %w", err), j.Close())
	}
	return &record{path: path, journal: j}, nil
}

// reached notes that everything below a position is proven to be on the drive.
func (r *record) reached(at int64) error {
	if at-r.last < pace.record {
		return nil
	}
	r.last = at
	text, err := json.Marshal(line{at})
	if err == nil {
		err = r.journal.Append(text)
	}
	if err != nil {
		return fmt.Errorf("keep record of the copy: %w", err)
	}
	return nil
}

// remove ends a record; there is nothing to go on with any more.
func (r *record) remove() error {
	if err := os.Remove(r.path); err != nil {
		return fmt.Errorf("end record of the copy: %w", err)
	}
	return nil
}

func (r *record) close() error { return r.journal.Close() }
