package table

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"unicode/utf16"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// Numbers of UEFI 2.10, 5.3. Entries may be larger by the specification, and
// more than a thousand; such tables are not known to be in use (common
// practice) and are refused rather than half understood.
const (
	magic        = "EFI PART"
	revision     = 0x00010000
	headerBytes  = 92
	entryBytes   = 128
	entriesLeast = 128 // 16,384 bytes are to be kept for them (5.3.1)
	entriesMost  = 1024
	nameUnits    = 36 // UTF-16 units of a name (table 5.6)
)

// header is a GPT header (UEFI 2.10, table 5.5).
type header struct {
	At, Other   uint64 // MyLBA, AlternateLBA
	FirstUsable uint64
	LastUsable  uint64
	Disk        guid.GUID
	EntriesAt   uint64
	Count       uint32
	EntrySize   uint32
	EntriesSum  uint32
}

// half is one of the two copies of a table, as far as it could be read.
type half struct {
	found   facts.Header
	why     string // it is damaged
	intact  bool   // the header's own checksum is right
	header  header
	entries []facts.Entry
}

// errBeyond is of tables that may be right but are not understood here.
var errBeyond = errors.New("a kind of GPT that is not understood")

// half reads the copy whose header is at a sector. The error is of reading, or
// errBeyond; whatever is wrong with the copy itself makes it damaged.
func (d disk) half(at uint64) (half, error) {
	if at == 0 || at >= d.blocks {
		return half{found: facts.NoneAt}, nil
	}
	b, err := d.read(at, 1)
	if err != nil {
		return half{}, err
	}
	if !bytes.HasPrefix(b, []byte(magic)) {
		return half{found: facts.NoneAt}, nil
	}
	h := half{found: facts.Damaged}
	if h.header, err = readHeader(b); err != nil {
		h.why = err.Error()
		return h, nil
	}
	h.intact = true
	if h.header.EntrySize != entryBytes || h.header.Count == 0 || h.header.Count > entriesMost {
		return half{}, fmt.Errorf("%w: %d entries of %d bytes", errBeyond, h.header.Count, h.header.EntrySize)
	}
	if err := d.plausible(h.header, at); err != nil {
		h.why = err.Error()
		return h, nil
	}
	raw, err := d.read(h.header.EntriesAt, d.sectorsOf(h.header.Count))
	if err != nil {
		return half{}, err
	}
	raw = raw[:h.header.Count*entryBytes]
	if sum := crc32.ChecksumIEEE(raw); sum != h.header.EntriesSum {
		h.why = fmt.Sprintf("the checksum of its entries is %08x, not %08x", sum, h.header.EntriesSum)
		return h, nil
	}
	if h.entries, err = readEntries(raw); errors.Is(err, errBeyond) {
		return half{}, err
	}
	if err := errors.Join(err, fit(h.header, h.entries)); err != nil {
		h.why = err.Error()
		return h, nil
	}
	h.found = facts.Sound
	return h, nil
}

// readHeader reads a header whose checksum is right. It spans HeaderSize bytes
// with the checksum's own field as zero (UEFI 2.10, 5.3.2).
func readHeader(sector []byte) (header, error) {
	size := binary.LittleEndian.Uint32(sector[12:])
	if size < headerBytes || uint64(size) > uint64(len(sector)) {
		return header{}, fmt.Errorf("its header has %d bytes", size)
	}
	b := bytes.Clone(sector[:size])
	clear(b[16:20])
	if sum, stated := crc32.ChecksumIEEE(b), binary.LittleEndian.Uint32(sector[16:]); sum != stated {
		return header{}, fmt.Errorf("the checksum of its header is %08x, not %08x", sum, stated)
	}
	if r := binary.LittleEndian.Uint32(b[8:]); r != revision {
		return header{}, fmt.Errorf("its revision is %08x", r)
	}
	h := header{Disk: guid.GUID(b[56:72])}
	for i, field := range []*uint64{&h.At, &h.Other, &h.FirstUsable, &h.LastUsable} {
		*field = binary.LittleEndian.Uint64(b[24+8*i:])
	}
	h.EntriesAt = binary.LittleEndian.Uint64(b[72:])
	h.Count = binary.LittleEndian.Uint32(b[80:])
	h.EntrySize = binary.LittleEndian.Uint32(b[84:])
	h.EntriesSum = binary.LittleEndian.Uint32(b[88:])
	return h, nil
}

// plausible holds a header against the drive that it is on.
func (d disk) plausible(h header, at uint64) error {
	last := h.EntriesAt + d.sectorsOf(h.Count) - 1
	switch {
	case h.At != at:
		return fmt.Errorf("it says that it is in sector %d", h.At)
	case h.Other == 0 || h.Other == at:
		return fmt.Errorf("it says that the other header is in sector %d", h.Other)
	case h.FirstUsable > h.LastUsable || h.LastUsable >= d.blocks || h.FirstUsable < 2:
		return fmt.Errorf("it uses sectors %d to %d of %d", h.FirstUsable, h.LastUsable, d.blocks)
	case h.EntriesAt < 2 || last < h.EntriesAt || last >= d.blocks || h.EntriesAt <= at && at <= last:
		return fmt.Errorf("its entries are in sector %d", h.EntriesAt)
	case h.EntriesAt <= h.LastUsable && last >= h.FirstUsable:
		return errors.New("its entries are where partitions may be")
	case h.FirstUsable <= at && at <= h.LastUsable:
		return errors.New("it is where partitions may be")
	}
	return nil
}

// readEntries reads the entries that are used (UEFI 2.10, table 5.6).
func readEntries(b []byte) ([]facts.Entry, error) {
	list := []facts.Entry{} // of an empty table too, so that it is written as one
	for i := 0; i+entryBytes <= len(b); i += entryBytes {
		raw := b[i : i+entryBytes]
		kind := guid.GUID(raw[:16])
		if kind == (guid.GUID{}) {
			continue
		}
		e := facts.Entry{Number: i/entryBytes + 1, Type: kind.String(), ID: guid.GUID(raw[16:32]).String()}
		e.First = binary.LittleEndian.Uint64(raw[32:])
		e.Last = binary.LittleEndian.Uint64(raw[40:])
		e.Attributes = binary.LittleEndian.Uint64(raw[48:])
		var sound bool
		if e.Name, sound = readName(raw[56:]); !sound {
			return nil, fmt.Errorf("%w: the name of entry %d is not UTF-16", errBeyond, e.Number)
		}
		list = append(list, e)
	}
	return list, nil
}

// readName reads a name; one that cannot be written again as it was is not
// sound.
func readName(b []byte) (string, bool) {
	units := make([]uint16, 0, nameUnits)
	for i := 0; i < 2*nameUnits; i += 2 {
		unit := binary.LittleEndian.Uint16(b[i:])
		if unit == 0 {
			break
		}
		units = append(units, unit)
	}
	runes := utf16.Decode(units)
	return string(runes), slices.Equal(utf16.Encode(runes), units)
}

// fit says where entries contradict their header or each other.
func fit(h header, entries []facts.Entry) error {
	for _, e := range entries {
		if e.First > e.Last || e.First < h.FirstUsable || e.Last > h.LastUsable {
			return fmt.Errorf("entry %d has sectors %d to %d, of %d to %d", e.Number, e.First, e.Last, h.FirstUsable, h.LastUsable)
		}
	}
	return apart(entries)
}

// apart says which entries share sectors.
func apart(entries []facts.Entry) error {
	sorted := slices.Clone(entries)
	slices.SortStableFunc(sorted, func(a, b facts.Entry) int { return cmp.Compare(a.First, b.First) })
	for i := 1; i < len(sorted); i++ {
		if a, b := sorted[i-1], sorted[i]; b.First <= a.Last {
			return fmt.Errorf("entries %d and %d share sectors", a.Number, b.Number)
		}
	}
	return nil
}
