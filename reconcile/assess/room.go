package assess

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// alignBytes is what partitions start at: every drive's own units divide it
// (common practice, and the default of sgdisk and sfdisk).
const alignBytes = 1 << 20

// entriesBytes is the space of 128 entries of 128 bytes (UEFI 2.10, 5.3.1: at
// least 16 KiB).
const entriesBytes = 128 * 128

// typeLinux marks a partition with a Linux filesystem (Discoverable Partitions
// Specification, "Generic Linux Data Partition").
const typeLinux = "0fc63daf-8483-4772-8e79-3d69d8477de4"

// usable gives the first and the last sector that a GPT with 128 entries leaves
// for partitions on a drive (UEFI 2.10, 5.3.1): before them protective MBR,
// header and entries, behind them entries and header.
func usable(d facts.Drive) (first, last uint64) {
	entries := (entriesBytes + d.SectorBytes - 1) / d.SectorBytes
	sectors := d.SizeBytes / d.SectorBytes
	return 2 + entries, sectors - 2 - entries
}

// stretch is free room between partitions, in sectors, both inclusive.
type stretch struct{ first, last uint64 }

func (s stretch) sectors() uint64 { return s.last - s.first + 1 }

// free gives the aligned stretches of a table in which nothing lies.
func free(t facts.Table, align uint64) []stretch {
	taken := slices.Clone(t.Entries)
	slices.SortFunc(taken, func(a, b facts.Entry) int { return cmp.Compare(a.First, b.First) })
	var list []stretch
	at := t.FirstUsable
	add := func(end uint64) { // the first sector behind the stretch
		first := (at + align - 1) / align * align
		last := end / align * align // so that the next one starts aligned as well
		if last > first {
			list = append(list, stretch{first, last - 1})
		}
	}
	for _, e := range taken {
		if e.First > at {
			add(e.First)
		}
		at = max(at, e.Last+1)
	}
	if t.LastUsable+1 > at {
		add(t.LastUsable + 1)
	}
	return list
}

// fit finds room for a stated partition: the first stretch that holds it, or
// for one that takes the rest the longest.
func fit(t facts.Table, p spec.Partition, sectorBytes uint64) (stretch, bool) {
	align := max(alignBytes/sectorBytes, 1)
	var best stretch
	found := false
	for _, s := range free(t, align) {
		switch {
		case p.Rest && (!found || s.sectors() > best.sectors()):
			best, found = s, true
		case !p.Rest && !found && s.sectors()*sectorBytes >= p.SizeBytes:
			sectors := (p.SizeBytes + sectorBytes - 1) / sectorBytes
			best, found = stretch{s.first, s.first + sectors - 1}, true
		}
	}
	return best, found
}

// added gives the table with the stated partitions that it lacks. Sizes that
// are stated are placed before what takes the rest.
func added(t facts.Table, parts []spec.Partition, d facts.Drive) (facts.Table, error) {
	t.Entries = slices.Clone(t.Entries)
	parts = slices.Clone(parts)
	slices.SortStableFunc(parts, func(a, b spec.Partition) int { return cmp.Compare(number(a.Rest), number(b.Rest)) })
	for _, p := range parts {
		room, ok := fit(t, p, d.SectorBytes)
		if !ok {
			return t, fmt.Errorf("partition %s has no room; %s", p.Name, roomIn(t, d))
		}
		e := facts.Entry{Number: freeNumber(t), First: room.first, Last: room.last, Type: typeLinux, Name: p.Name,
			ID: idOf("partition", d.Serial, t.ID, p.Name, fmt.Sprint(room.first))}
		if e.Number > 128 {
			return t, fmt.Errorf("its table has no free entry for partition %s", p.Name)
		}
		t.Entries = append(t.Entries, e)
	}
	slices.SortFunc(t.Entries, func(a, b facts.Entry) int { return cmp.Compare(a.Number, b.Number) })
	return t, nil
}

func number(b bool) int {
	if b {
		return 1
	}
	return 0
}

func freeNumber(t facts.Table) int {
	for n := 1; ; n++ {
		if !slices.ContainsFunc(t.Entries, func(e facts.Entry) bool { return e.Number == n }) {
			return n
		}
	}
}

// roomIn says what room a table leaves.
func roomIn(t facts.Table, d facts.Drive) string {
	var list []string
	for _, s := range free(t, max(alignBytes/d.SectorBytes, 1)) {
		list = append(list, facts.Size(s.sectors()*d.SectorBytes))
	}
	if len(list) == 0 {
		return "nothing is free"
	}
	return "free: " + strings.Join(list, ", ")
}

// idOf gives an identity that the same order has every time: RFC 9562, version
// 8, over the sha256 of what it is for.
func idOf(what ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(what, "\x00")))
	sum[6] = sum[6]&0x0f | 0x80
	sum[8] = sum[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[0:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}
