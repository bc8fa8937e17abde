package table

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Layout of the first 512 bytes of a drive (UEFI 2.10, table 5.1) and the types
// of its records that matter here (5.2.2; the extended ones: kernel
// include/linux/msdos_partition.h).
const (
	mbrBytes    = 512
	bootCode    = 440 // bytes of the program in front; the disk's signature follows
	recordsAt   = 446
	recordBytes = 16
	protective  = 0xee
	active      = 0x80

	logicalsMost = 128
)

var extended = []byte{0x05, 0x0f, 0x85}

// bootSector is what the first sector of a drive turned out to be.
type bootSector int

const (
	noRecords   bootSector = iota // no table in it
	onlyGPT                       // a protective MBR
	hybrid                        // a protective record and others
	dosRecords                    // a DOS table, maybe an empty one
	volumeStart                   // the start of a filesystem
	ambiguous                     // the start of a filesystem, and records
)

// record is one of the four places for a partition.
type record struct {
	status, kind byte
	first, count uint32
}

func readRecords(b []byte) [4]record {
	var list [4]record
	for i := range list {
		r := b[recordsAt+recordBytes*i:]
		list[i] = record{r[0], r[4], binary.LittleEndian.Uint32(r[8:]), binary.LittleEndian.Uint32(r[12:])}
	}
	return list
}

func signed(b []byte) bool { return b[510] == 0x55 && b[511] == 0xaa }

// judge says what a first sector is. A boot sector with a status other than 0
// and 0x80 is no table (as libblkid's dos.c has it): that is program text.
func judge(b []byte) bootSector {
	if !signed(b) {
		return noRecords
	}
	var used, protecting int
	for _, r := range readRecords(b) {
		if r.status != 0 && r.status != active {
			if startsVolume(b) {
				return volumeStart
			}
			return noRecords
		}
		if r.kind != 0 {
			used++
		}
		if r.kind == protective {
			protecting++
		}
	}
	switch {
	case startsVolume(b) && used > 0:
		return ambiguous
	case startsVolume(b):
		return volumeStart
	case protecting == 1 && used == 1:
		return onlyGPT
	case protecting > 0:
		return hybrid
	}
	return dosRecords
}

// startsVolume recognises the boot sector of a filesystem that ends in the same
// two bytes as a table does: NTFS, exFAT, BitLocker and FAT.
func startsVolume(b []byte) bool {
	switch string(b[3:11]) {
	case "NTFS    ", "EXFAT   ", "-FVE-FS-":
		return true
	}
	// FAT: Microsoft's FAT specification 1.03, 3.1. Its jump and the name of its
	// kind may be missing, and so may the numbers of heads and tracks.
	sector, cluster, media := binary.LittleEndian.Uint16(b[11:]), b[13], b[21]
	return sector >= 512 && sector <= 4096 && sector&(sector-1) == 0 && cluster != 0 && cluster&(cluster-1) == 0 &&
		binary.LittleEndian.Uint16(b[14:]) != 0 && b[16] >= 1 && b[16] <= 4 && (media == 0xf0 || media >= 0xf8)
}

// dos reads a DOS table with its logical partitions.
func (d disk) dos(b []byte) (*facts.Table, error) {
	t := &facts.Table{Kind: "dos", Entries: []facts.Entry{}}
	if id := binary.LittleEndian.Uint32(b[bootCode:]); id != 0 {
		t.ID = fmt.Sprintf("%08x", id)
	}
	var whole *facts.Entry // the extended partition
	for i, r := range readRecords(b) {
		if r.kind == 0 {
			continue
		}
		e, err := d.entry(i+1, 0, r)
		if err != nil {
			return nil, err
		}
		t.Entries = append(t.Entries, e)
		if slices.Contains(extended, r.kind) {
			if whole != nil {
				return nil, errors.New("it has two extended partitions")
			}
			whole = &e
		}
	}
	if err := apart(t.Entries); err != nil || whole == nil {
		return t, err
	}
	logicals, err := d.logicals(*whole)
	if err != nil {
		return nil, err
	}
	t.Entries = append(t.Entries, logicals...)
	return t, apart(logicals)
}

// entry makes an entry of a record whose sectors count from base.
func (d disk) entry(number int, base uint64, r record) (facts.Entry, error) {
	first := base + uint64(r.first)
	last := first + uint64(r.count) - 1
	if r.first == 0 || r.count == 0 || last >= d.blocks || r.status != 0 && r.status != active {
		return facts.Entry{}, fmt.Errorf("partition %d has %d sectors from %d, of %d", number, r.count, first, d.blocks)
	}
	return facts.Entry{Number: number, First: first, Last: last, Type: fmt.Sprintf("%02x", r.kind), Attributes: uint64(r.status)}, nil
}

// logicals follows the chain of an extended partition. Each link has a table of
// its own with one partition, counted from the link, and the next link, counted
// from the extended partition (kernel: block/partitions/msdos.c).
func (d disk) logicals(whole facts.Entry) ([]facts.Entry, error) {
	var list []facts.Entry
	seen := map[uint64]bool{}
	for at := whole.First; ; {
		if seen[at] || len(seen) > logicalsMost {
			return nil, errors.New("its logical partitions have no end")
		}
		seen[at] = true
		b, err := d.read(at, 1)
		if err != nil {
			return nil, err
		}
		if !signed(b) {
			return nil, fmt.Errorf("its logical partitions break off at sector %d", at)
		}
		records := readRecords(b)
		if here := records[0]; here.kind != 0 {
			e, err := d.entry(5+len(list), at, here)
			if err != nil {
				return nil, err
			}
			if e.Last > whole.Last || slices.Contains(extended, here.kind) {
				return nil, fmt.Errorf("partition %d is not in the extended one", e.Number)
			}
			list = append(list, e)
		}
		next := records[1]
		switch {
		case records[2].kind != 0 || records[3].kind != 0:
			return nil, fmt.Errorf("a link of its logical partitions, in sector %d, has more than two records", at)
		case next.kind == 0:
			return list, nil
		case !slices.Contains(extended, next.kind) || whole.First+uint64(next.first) > whole.Last:
			return nil, fmt.Errorf("its logical partitions lead astray in sector %d", at)
		}
		at = whole.First + uint64(next.first)
	}
}
