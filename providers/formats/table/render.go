package table

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"unicode/utf16"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// written is one copy of a GPT as bytes.
type written struct {
	headerAt, entriesAt uint64
	header, entries     []byte // whole sectors
}

// render gives both copies of a table. The primary's entries follow its header,
// the backup's end before its own, as is usual (UEFI 2.10, figure 5.3).
func (d disk) render(t *facts.Table) (primary, backup written, err error) {
	if t.Kind != "gpt" {
		return written{}, written{}, fmt.Errorf("a table of kind %q is not written here", t.Kind)
	}
	count := uint32(entriesLeast)
	for _, e := range t.Entries {
		if e.Number < 1 || e.Number > entriesMost {
			return written{}, written{}, fmt.Errorf("there is no place %d in a table", e.Number)
		}
		count = max(count, uint32(e.Number))
	}
	sectors := d.sectorsOf(count)
	count = uint32(sectors * d.sector / entryBytes)
	entries, err := renderEntries(t.Entries, sectors*d.sector)
	if err != nil {
		return written{}, written{}, err
	}
	h := header{At: 1, Other: t.BackupAt, FirstUsable: t.FirstUsable, LastUsable: t.LastUsable, EntriesAt: 2,
		Count: count, EntrySize: entryBytes, EntriesSum: crc32.ChecksumIEEE(entries)}
	if h.Disk, err = identity(t.ID); err != nil {
		return written{}, written{}, err
	}
	other := h
	other.At, other.Other, other.EntriesAt = h.Other, h.At, h.Other-sectors
	if h.Other >= d.blocks {
		return written{}, written{}, fmt.Errorf("its backup would be in sector %d of %d", h.Other, d.blocks)
	}
	err = cmp.Or(d.plausible(h, 1), d.plausible(other, t.BackupAt), fit(h, t.Entries))
	if err == nil && (h.FirstUsable < 2+sectors || h.LastUsable >= other.EntriesAt) {
		err = errors.New("its entries would be where partitions may be")
	}
	return written{1, 2, h.render(d.sector), entries}, written{other.At, other.EntriesAt, other.render(d.sector), entries}, err
}

func (h header) render(sector uint64) []byte {
	b := make([]byte, sector)
	copy(b, magic)
	binary.LittleEndian.PutUint32(b[8:], revision)
	binary.LittleEndian.PutUint32(b[12:], headerBytes)
	for i, field := range []uint64{h.At, h.Other, h.FirstUsable, h.LastUsable} {
		binary.LittleEndian.PutUint64(b[24+8*i:], field)
	}
	copy(b[56:], h.Disk[:])
	binary.LittleEndian.PutUint64(b[72:], h.EntriesAt)
	binary.LittleEndian.PutUint32(b[80:], h.Count)
	binary.LittleEndian.PutUint32(b[84:], h.EntrySize)
	binary.LittleEndian.PutUint32(b[88:], h.EntriesSum)
	binary.LittleEndian.PutUint32(b[16:], crc32.ChecksumIEEE(b[:headerBytes]))
	return b
}

// identity reads the form that Read gives: in lower case, since what is read back
// is compared with what was to be written.
func identity(text string) (guid.GUID, error) {
	id, err := guid.Parse(text)
	if err == nil && id.String() != text {
		err = fmt.Errorf("GUID %q is not in lower case", text)
	}
	return id, err
}

func renderEntries(list []facts.Entry, size uint64) ([]byte, error) {
	b := make([]byte, size)
	for _, e := range list {
		raw := b[(e.Number-1)*entryBytes:][:entryBytes]
		kind, err1 := identity(e.Type)
		id, err2 := identity(e.ID)
		if err := cmp.Or(err1, err2); err != nil {
			return nil, fmt.Errorf("entry %d: %w", e.Number, err)
		}
		if kind == (guid.GUID{}) || binary.LittleEndian.Uint64(raw[32:]) != 0 {
			return nil, fmt.Errorf("entry %d has no type, or is there twice", e.Number)
		}
		copy(raw, kind[:])
		copy(raw[16:], id[:])
		binary.LittleEndian.PutUint64(raw[32:], e.First)
		binary.LittleEndian.PutUint64(raw[40:], e.Last)
		binary.LittleEndian.PutUint64(raw[48:], e.Attributes)
		units := utf16.Encode([]rune(e.Name))
		if len(units) > nameUnits {
			return nil, fmt.Errorf("entry %d: the name %q has more than %d characters", e.Number, e.Name, nameUnits)
		}
		for i, unit := range units {
			binary.LittleEndian.PutUint16(raw[56+2*i:], unit)
		}
	}
	return b, nil
}

// protect makes a first sector's MBR a protective one. What is in front of it,
// and behind it in a large sector, stays (UEFI 2.10, tables 5.3 and 5.4: the
// disk's signature is zero, the record spans the disk or as much as it can say).
func (d disk) protect(sector []byte) {
	clear(sector[bootCode:mbrBytes])
	r := sector[recordsAt:]
	copy(r, []byte{0, 0x00, 0x02, 0x00, protective, 0xff, 0xff, 0xff})
	binary.LittleEndian.PutUint32(r[8:], 1)
	binary.LittleEndian.PutUint32(r[12:], uint32(min(d.blocks-1, 0xffffffff)))
	sector[510], sector[511] = 0x55, 0xaa
}
