package content

import (
	"encoding/binary"
	"hash/crc32"

	"lendkeep/reconcile/facts"
)

// Of ext2, ext3 and ext4 (kernel Documentation/filesystems/ext4/super.rst).
const (
	extValid   = 0x1 // s_state
	extErrors  = 0x2
	extJournal = 0x4 // s_feature_compat

	extRecover     = 0x4 // s_feature_incompat
	extIsJournal   = 0x8
	extIncompatOf3 = 0x2 | extRecover | 0x10 // filetype, meta_bg

	extROOf3     = 0x1 | 0x2 | 0x4 // s_feature_ro_compat: sparse_super, large_file, btree_dir
	extSums      = 0x400
	extOrphans   = 0x10000
	extSumOffset = 0x3fc
)

// castagnoli is CRC-32C, whose table is made when it is first asked for.
func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

func ext(v *volume) finding {
	b := v.at(1024, 1024)
	if binary.LittleEndian.Uint16(b[0x38:]) != 0xef53 {
		return finding{}
	}
	word := func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
	compat, incompat, ro := word(0x5c), word(0x60), word(0x64)
	id, label := uuid(b[0x68:]), text(b[0x78:0x88])
	var kind string
	switch {
	case incompat&extIsJournal != 0:
		return member("jbd", "other", id, label)
	case incompat&^extIncompatOf3 != 0 || ro&^extROOf3 != 0:
		kind = "ext4"
	case compat&extJournal != 0:
		kind = "ext3"
	default:
		kind = "ext2"
	}
	condition, why := facts.Clean, "its superblock says that it was unmounted, without errors and with an empty journal"
	switch valid := binary.LittleEndian.Uint16(b[0x3a:]); {
	// The sum is not inverted at its end (super.rst, s_checksum).
	case ro&extSums != 0 && word(extSumOffset) != ^crc32.Checksum(b[:extSumOffset], castagnoli()):
		condition, why = facts.UnsureIfClean, "the checksum of its superblock is wrong"
	case incompat&extRecover != 0:
		condition, why = facts.Dirty, "its journal is to be replayed (needs_recovery)"
	case valid&extErrors != 0:
		condition, why = facts.Dirty, "its superblock says that it has errors"
	case valid&extValid == 0:
		condition, why = facts.Dirty, "its superblock does not say that it was unmounted"
	case word(0xe8) != 0 || ro&extOrphans != 0:
		condition, why = facts.Dirty, "it has files that are still to be deleted (orphans)"
	}
	return filesystem(kind, id, label, condition, why)
}
