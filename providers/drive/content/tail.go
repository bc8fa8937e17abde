package content

import (
	"encoding/binary"
	"io"
	"slices"

	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"
)

// tailMarks are of arrays and mirrors that keep what they know at the end of a
// drive, so that a table and filesystems stand before it as on a plain one; the
// second list is of those that are made of partitions too.
// Places and bytes: libblkid's superblocks, one file each; GEOM, which blkid
// does not know: FreeBSD sys/geom/mirror/g_mirror.h and its like, whose magic is
// in the last sector, of whatever size.
var (
	driveMarks = slices.Concat([]mark{
		{"isw_raid_member", -2 * 512, "Intel Raid ISM Cfg Sig. "},
		{"ddf_raid_member", -512, "\xde\x11\xde\x11"},
		{"ddf_raid_member", -512, "\x11\xde\x11\xde"},
		{"ddf_raid_member", -257 * 512, "\xde\x11\xde\x11"},
		{"ddf_raid_member", -257 * 512, "\x11\xde\x11\xde"},
		{"adaptec_raid_member", -512, "\x37\xfc\x4d\x1e"},
		{"nvidia_raid_member", -2 * 512, "NVIDIA"},
		{"silicon_medley_raid_member", -512 + 0x60, "\x00\x00\x00\x2f"},
		{"jmicron_raid_member", -512, "JM"},
		{"lsi_mega_raid_member", -512, "$XIDE$"},
		{"hpt45x_raid_member", -11 * 512, "\xf3\x16\x78\x5a"},
		{"hpt45x_raid_member", -11 * 512, "\xfd\x16\x78\x5a"},
		{"hpt37x_raid_member", 9*512 + 32, "\xf0\x16\x78\x5a"},
		{"hpt37x_raid_member", 9*512 + 32, "\xfd\x16\x78\x5a"},
	}, promiseMarks())
	tailMarks = []mark{
		{"drbd", -4096 + 60, "\x83\x74\x02\x6b"}, // 8
		{"drbd", -4096 + 60, "\x83\x74\x02\x6c"}, // 8.4, not shut down
		{"drbd", -4096 + 60, "\x83\x74\x02\x6d"}, // 9
		{"geom_member", -512, "GEOM::"},
		{"geom_member", -4096, "GEOM::"},
	}
)

// promiseMarks are the places, in sectors from the end, where Promise's arrays
// may keep theirs.
func promiseMarks() []mark {
	var list []mark
	for _, sectors := range []int64{63, 255, 256, 16, 399, 591, 675, 735, 911, 974, 991, 951, 3087} {
		list = append(list, mark{"promise_fasttrack_raid_member", -512 * sectors, "Promise Technology, Inc."})
	}
	return list
}

// tailMember recognises a member by what stands at its end. Smaller volumes than
// libblkid looks at hold none.
func tailMember(v *volume) finding {
	if v.size < 1<<16 {
		return finding{}
	}
	marks := tailMarks
	if v.whole {
		marks = slices.Concat(driveMarks, tailMarks)
	}
	for _, m := range marks {
		if m.on(v) {
			return member(m.kind, UsageOf(m.kind), "", "")
		}
	}
	if !v.whole {
		return finding{}
	}
	// VIA's two bytes are those of every boot sector; its own sum tells.
	b := v.at(v.size&^511-512, 51)
	var sum byte
	for _, part := range b[:50] {
		sum += part
	}
	if binary.LittleEndian.Uint16(b) == 0xaa55 && b[2] <= 2 && sum == b[50] {
		return member("via_raid_member", "raid", "", "")
	}
	return finding{}
}

// strayTail tells whether something stands in the last MiB of a drive that is
// behind the place for partitions and is no copy of the table: of whoever keeps
// it there only the bytes are known. A stale header says so itself.
func strayTail(v *volume, t facts.Table, sector uint64) (bool, error) {
	from := max(v.size-min(v.size, mib), (t.LastUsable+1)*sector)
	if t.Kind != "gpt" || t.Stale || from >= v.size {
		return false, nil
	}
	copies, err := table.Copies(io.NewSectionReader(v.r, int64(v.start), int64(v.size)), v.size, sector)
	if err != nil {
		return false, err
	}
	b := v.at(from, v.size-from)
	for _, c := range copies {
		first, end := max(c[0]*sector, from), min((c[1]+1)*sector, v.size)
		if first < end {
			clear(b[first-from : end-from])
		}
	}
	return !allZero(b), v.err
}
