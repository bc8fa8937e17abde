package table

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"lendkeep/reconcile/facts"
)

// disk is a drive or an image as a table sees it.
type disk struct {
	from   io.ReaderAt
	sector uint64
	blocks uint64
}

func newDisk(r io.ReaderAt, sizeBytes, sectorBytes uint64) (disk, error) {
	if sectorBytes != 512 && sectorBytes != 4096 {
		return disk{}, fmt.Errorf("its sectors have %d bytes; 512 and 4096 are understood", sectorBytes)
	}
	if sizeBytes < sectorBytes || sizeBytes > 1<<62 {
		return disk{}, fmt.Errorf("it has %d bytes", sizeBytes)
	}
	return disk{r, sectorBytes, sizeBytes / sectorBytes}, nil
}

func (d disk) read(at, sectors uint64) ([]byte, error) {
	b := make([]byte, sectors*d.sector)
	n, err := d.from.ReadAt(b, int64(at*d.sector))
	if n == len(b) {
		return b, nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return nil, fmt.Errorf("read sector %d: %w", at, err)
}

func (d disk) sectorsOf(entries uint32) uint64 {
	return (uint64(entries)*entryBytes + d.sector - 1) / d.sector
}

// Read reads the partition table of a drive or image of that size, whose
// logical sectors have 512 or 4096 bytes. Without one both answers are nil. An
// error means that what is there cannot be told: it could not be read, or it
// contradicts itself (a GPT beside a DOS table, two copies of a GPT that are
// sound and different, partitions that share sectors). It never guesses.
func Read(r io.ReaderAt, sizeBytes, sectorBytes uint64) (*facts.Table, error) {
	t, err := read(r, sizeBytes, sectorBytes)
	if err != nil {
		return nil, fmt.Errorf("read partition table: %w", err)
	}
	return t, nil
}

func read(r io.ReaderAt, sizeBytes, sectorBytes uint64) (*facts.Table, error) {
	d, err := newDisk(r, sizeBytes, sectorBytes)
	if err != nil {
		return nil, err
	}
	boot, err := d.read(0, 1)
	if err != nil {
		return nil, err
	}
	primary, err := d.half(1)
	if err != nil {
		return nil, err
	}
	end, err := d.half(max(2, d.blocks-1)) // on a drive of two sectors nothing
	if err != nil {
		return nil, err
	}
	switch kind := judge(boot); {
	case kind == hybrid:
		return nil, errors.New("its MBR has a protective record and others, so it may be read as two tables")
	case kind == ambiguous:
		return nil, errors.New("its first sector starts a filesystem and has partitions")
	case kind == onlyGPT:
		return d.gpt(primary, end)
	case primary.found != facts.NoneAt:
		return nil, errors.New("it has a GPT header, and no protective MBR before it")
	case kind == dosRecords:
		t, err := d.dos(boot)
		if err != nil {
			return nil, err
		}
		t.Stale = end.found != facts.NoneAt
		return t, nil
	case end.found == facts.Sound && kind == noRecords:
		// What is left of a GPT whose beginning somebody wiped still tells what
		// was on the drive.
		return d.gpt(primary, end)
	case end.found != facts.NoneAt:
		return nil, errors.New("it has a GPT header in its last sector, and no table at its start")
	}
	return nil, nil
}

// gpt makes one table of two copies. UEFI 2.10, 5.3.2: when the primary is not
// valid, the backup is looked for in the last sector.
func (d disk) gpt(primary, end half) (*facts.Table, error) {
	place := d.blocks - 1
	if primary.intact {
		place = primary.header.Other
	}
	backup := end
	if place != d.blocks-1 {
		var err error
		if backup, err = d.half(place); err != nil {
			return nil, err
		}
	}
	from := primary
	switch {
	case primary.found == facts.Sound && backup.found == facts.Sound:
		if difference := primary.differs(backup); difference != "" {
			return nil, fmt.Errorf("its GPT and the backup of that differ in %s", difference)
		}
	case primary.found == facts.Sound:
	case backup.found == facts.Sound:
		from = backup
	default:
		return nil, fmt.Errorf("no copy of its GPT is sound: the first is %s, the backup is %s", primary.words(), backup.words())
	}
	t := from.table(place)
	t.Primary, t.Backup = primary.found, backup.found
	t.Stale = place != d.blocks-1 && end.found != facts.NoneAt
	return t, nil
}

func (h half) words() string {
	if h.found == facts.Damaged {
		return "damaged (" + h.why + ")"
	}
	return "not there"
}

// differs names the first thing in which a backup is another table.
func (h half) differs(backup half) string {
	switch a, b := h.header, backup.header; {
	case a.Disk != b.Disk:
		return "the disk's id"
	case a.FirstUsable != b.FirstUsable || a.LastUsable != b.LastUsable:
		return "what they span"
	case a.At != b.Other:
		return "where they are"
	case !slices.Equal(h.entries, backup.entries):
		return "partitions"
	}
	return ""
}

func (h half) table(backupAt uint64) *facts.Table {
	entries := h.entries
	if entries == nil {
		entries = []facts.Entry{} // none are a list too, in a survey
	}
	return &facts.Table{
		Kind: "gpt", ID: h.header.Disk.String(),
		FirstUsable: h.header.FirstUsable, LastUsable: h.header.LastUsable,
		BackupAt: backupAt, Entries: entries,
	}
}

// Copies gives the sectors, each time the first and the last, where headers of a
// GPT and their entries lie, whether or not they are sound: what has to be kept
// with both ends of a drive to have its table again.
func Copies(r io.ReaderAt, sizeBytes, sectorBytes uint64) ([][2]uint64, error) {
	d, err := newDisk(r, sizeBytes, sectorBytes)
	if err != nil {
		return nil, fmt.Errorf("look for partition tables: %w", err)
	}
	places := []uint64{1, d.blocks - 1}
	var list [][2]uint64
	for i := 0; i < len(places); i++ {
		h, err := d.half(places[i])
		if errors.Is(err, errBeyond) {
			err = nil
		}
		if err != nil {
			return nil, fmt.Errorf("look for partition tables: %w", err)
		}
		if !h.intact || d.plausible(h.header, places[i]) != nil {
			continue // at a usual place, or nowhere
		}
		list = append(list, [2]uint64{h.header.At, h.header.At},
			[2]uint64{h.header.EntriesAt, h.header.EntriesAt + d.sectorsOf(h.header.Count) - 1})
		if !slices.Contains(places, h.header.Other) && len(places) < 4 {
			places = append(places, h.header.Other)
		}
	}
	return list, nil
}
