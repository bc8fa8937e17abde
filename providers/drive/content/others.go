package content

import (
	"encoding/binary"
	"fmt"

	"lendkeep/reconcile/facts"
)

// mark is a signature of which only the kind is told.
type mark struct {
	kind   string
	offset int64 // negative: from the end, which is that of the last whole sector of 512 bytes
	magic  string
}

// Marks of what is recognised so that it is not taken for nothing (libblkid's
// superblocks, one file each).
var (
	memberMarks = []mark{
		{"stratis", 512 + 4, "!Stra0tis\x86\xff\x02^\x41rh"},
		{"bcache", 4096 + 24, "\xc6\x85\x73\xf6\x4e\x1a\x45\xca\x82\x65\xf5\x7f\x48\xba\x6d\x81"},
		{"VMFS_volume_member", 1 << 20, "\x0d\xd0\x01\xc0"},
		{"ceph_bluestore", 0, "bluestore block device"},
		{"DM_integrity", 0, "integrt\x00"},
		{"DM_verity_hash", 0, "verity\x00\x00"},
		{"DM_snapshot_cow", 0, "SnAp"},
		{"vdo", 0, "dmvdo001"},
	}
	filesystemMarks = []mark{
		{"f2fs", 1024, "\x10\x20\xf5\xf2"},
		{"ReFS", 0, "\x00\x00\x00ReFS\x00"},
		{"hfsplus", 1024, "H+\x00\x04"},
		{"hfsplus", 1024, "HX\x00\x05"},
		{"apfs", 32, "NXSB"},
		{"jfs", 32768, "JFS1"},
		{"squashfs", 0, "hsqs"},
		{"erofs", 1024, "\xe2\xe1\xf5\xe0"},
		{"reiserfs", 65536 + 52, "ReIsEr"},
		{"nilfs2", 1024 + 6, "\x34\x34"},
		{"udf", 32768 + 1, "BEA01"},
	}
)

// at gives where the mark is in a volume.
func (m mark) at(v *volume) uint64 {
	at := uint64(m.offset)
	if m.offset < 0 {
		at += v.size &^ 511
	}
	return at
}

func (m mark) on(v *volume) bool {
	at := m.at(v)
	return v.has(at, uint64(len(m.magic))) && string(v.at(at, uint64(len(m.magic)))) == m.magic
}

func otherMembers(v *volume) finding {
	for _, m := range memberMarks {
		if m.on(v) {
			return member(m.kind, UsageOf(m.kind), "", "")
		}
	}
	return finding{}
}

func otherFilesystems(v *volume) finding {
	for _, m := range filesystemMarks {
		if m.on(v) {
			return filesystem(m.kind, "", "", facts.UnsureIfClean, "how "+m.kind+" marks an orderly end is not known here")
		}
	}
	return finding{}
}

// iso recognises ISO 9660 (ECMA-119, 8.4): nothing is written to one, so it is
// clean. Its identity is a date, the last change or else the making. A volume
// that is UDF as well (a bridge: ECMA-167 3, 3.1, with its descriptors behind
// those of ISO 9660) is UDF, which is written to.
func iso(v *volume) finding {
	b := v.at(32768, 2048)
	if b[0] != 1 || string(b[1:6]) != "CD001" {
		return finding{}
	}
	for sector := uint64(17); sector < 64 && v.has(sector*2048, 2048); sector++ {
		if name := string(v.at(sector*2048+1, 5)); name == "BEA01" || name == "NSR02" || name == "NSR03" {
			return filesystem("udf", "", "", facts.UnsureIfClean, "it is ISO 9660 and UDF at once; how UDF marks an orderly end is not known here")
		}
	}
	date := b[830:846]
	if allZero(date) || string(date) == "0000000000000000" {
		date = b[813:829]
	}
	id := fmt.Sprintf("%s-%s-%s-%s-%s-%s-%s", date[:4], date[4:6], date[6:8], date[8:10], date[10:12], date[12:14], date[14:16])
	if string(date) == "0000000000000000" || allZero(date) {
		id = ""
	}
	return filesystem("iso9660", id, text(b[40:72]), facts.Clean, "ISO 9660 is only read")
}

// btrfs recognises btrfs by its first superblock (kernel
// include/uapi/linux/btrfs_tree.h, btrfs_super_block). It is whole at every
// moment and has no mark of being mounted, so that it can be told dirty, by a
// log that waits to be replayed, but not clean.
func btrfs(v *volume) finding {
	b := v.at(65536, 4096)
	if string(b[64:72]) != "_BHRfS_M" {
		return finding{}
	}
	condition, why := facts.UnsureIfClean, "it has no log to be replayed; btrfs has no mark of having been unmounted"
	if binary.LittleEndian.Uint64(b[96:]) != 0 {
		condition, why = facts.Dirty, "its superblock names a log that is to be replayed"
	}
	return filesystem("btrfs", uuid(b[32:]), text(b[299:555]), condition, why)
}
