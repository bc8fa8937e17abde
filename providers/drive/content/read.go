package content

import (
	"bytes"
	"errors"
	"io"
	"slices"

	"lendkeep/providers/formats/esp"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

const mib = 1 << 20

// Read reads what a drive or image holds; of is its name there and in gaps.
// What cannot be read, or contradicts itself, is a gap of "table", "signature",
// "end" or "ends", or of the volume. Size, sector, what is special to images, and
// whether all of it is blank is the caller's. Programs on EFI system partitions
// are looked for on demand.
func Read(r io.ReaderAt, of string, sizeBytes, sectorBytes uint64, loaders bool) facts.Content {
	c := facts.Content{Of: of, SizeBytes: sizeBytes, SectorBytes: sectorBytes}
	gap := func(fact string, err error) {
		c.Gaps = append(c.Gaps, facts.Gap{Fact: fact, Path: of, Reason: err.Error()})
	}
	// Half a copy is nothing else, whatever of it can be seen already.
	var err error
	if c.Unfinished, err = unfinished(r, sizeBytes); err != nil {
		gap("table", err)
		return c
	}
	if c.Unfinished != "" {
		return c
	}
	if c.Table, err = table.Read(r, sizeBytes, sectorBytes); err != nil {
		gap("table", err)
	}
	if c.Signature, err = Whole(r, sizeBytes); err != nil {
		gap("signature", err)
	}
	// A boot sector ends as an empty DOS table does.
	if s := c.Signature; s != nil && c.Table != nil && c.Table.Kind == "dos" && len(c.Table.Entries) == 0 {
		c.Table = nil
	}
	if c.Table != nil {
		stray, err := strayTail(newVolume(r, 0, sizeBytes), *c.Table, sectorBytes)
		if err == nil && stray {
			err = errors.New("behind the place for partitions is something in its last MiB that is not the table's")
		}
		if err != nil {
			gap("end", err)
		}
		c.Volumes = volumes(r, *c.Table, sectorBytes, loaders)
		return c
	}
	if c.EndsZero, err = zeroEnds(r, sizeBytes); err != nil {
		gap("ends", err)
	}
	return c
}

// Whole gives the mark that a drive or image has as a whole, whatever table it
// has besides; nil: none.
func Whole(r io.ReaderAt, sizeBytes uint64) (*facts.Signature, error) {
	v := newVolume(r, 0, sizeBytes)
	v.whole = true
	found, err := look(v)
	return found.signature, err
}

// unfinished gives the name that follows the mark of a copy under way, if the
// drive begins with one.
func unfinished(r io.ReaderAt, size uint64) (string, error) {
	v := newVolume(r, 0, size)
	rest, marked := bytes.CutPrefix(v.at(0, min(size, 512)), []byte(facts.UnfinishedMark))
	name, _, ended := bytes.Cut(rest, []byte("\n"))
	if v.err == nil && marked && (!ended || len(name) == 0) {
		return "", errors.New("it begins with the mark of an unfinished copy, without the copy's name")
	}
	if !marked {
		name = nil
	}
	return string(name), v.err
}

// zeroEnds tells whether the first and the last MiB are zeroes.
func zeroEnds(r io.ReaderAt, size uint64) (bool, error) {
	for _, at := range []uint64{0, size - min(size, mib)} {
		v := newVolume(r, at, size-at)
		b := v.at(0, min(mib, v.size))
		if v.err != nil {
			return false, v.err
		}
		if !allZero(b) {
			return false, nil
		}
	}
	return size > 0, nil
}

func allZero(b []byte) bool { return len(bytes.Trim(b, "\x00")) == 0 }

// volumes looks into each partition but an extended one, which holds only the
// links between the logical ones.
func volumes(r io.ReaderAt, t facts.Table, sectorBytes uint64, loaders bool) []facts.Volume {
	var list []facts.Volume
	for _, e := range t.Entries {
		if t.Kind == "dos" && (e.Type == "05" || e.Type == "0f" || e.Type == "85") {
			continue
		}
		start, size := e.Span(sectorBytes)
		v := Look(r, start, size)
		v.Number, v.ESP = e.Number, e.Type == facts.TypeESP || t.Kind == "dos" && e.Type == "ef"
		if slices.Contains(neverFilesystem, e.Type) && v.Signature == nil {
			v.Condition, v.Why = "", ""
		}
		if v.ESP {
			var err error
			if v.Loaders, err = startable(r, t, start, size, loaders); err != nil && v.Gap == "" {
				v.Gap = err.Error()
			}
		}
		list = append(list, v)
	}
	return list
}

// startable says what can be started from a system partition.
func startable(r io.ReaderAt, t facts.Table, start, size uint64, wanted bool) ([]string, error) {
	switch {
	case !wanted:
		return nil, errors.New("its programs are not looked for here")
	case t.Kind != "gpt":
		return nil, errors.New("its programs are looked for in GPT partitions only")
	default:
		return esp.Loaders(io.NewSectionReader(r, int64(start), int64(size)), int64(size))
	}
}

// neverFilesystem lists types of partitions that hold none: Microsoft's reserved
// one and the BIOS boot partition of GRUB (from memory: their documentation).
var neverFilesystem = []string{"e3c9e316-0b5c-4db8-817d-f92df00215ae", "21686148-6449-6e6f-744e-656564454649"}
