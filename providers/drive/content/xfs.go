package content

import (
	"encoding/binary"
	"hash/crc32"

	"lendkeep/reconcile/facts"
)

// Of XFS (XFS Algorithms & Data Structures, "Superblocks" and "Journaling Log";
// kernel fs/xfs/libxfs/xfs_log_format.h).
const (
	xfsBlock       = 512        // the log counts in blocks of 512 bytes
	xfsRecord      = 0xfeedbabe // XLOG_HEADER_MAGIC_NUM
	xfsUnmount     = 0x20       // XLOG_UNMOUNT_TRANS
	xfsHeaderPart  = 32 << 10   // XLOG_HEADER_CYCLE_SIZE: what one block of header describes
	xfsInFlight    = 2 * mib    // XLOG_TOTAL_REC_SHIFT: how far writes may be out of sequence
	xfsNeedsRepair = 1 << 4     // XFS_SB_FEAT_INCOMPAT_NEEDSREPAIR
)

func xfs(v *volume) finding {
	b := v.at(0, 512)
	if string(b[:4]) != "XFSB" {
		return finding{}
	}
	condition, why := xfsCondition(v, b)
	return filesystem("xfs", uuid(b[32:]), text(b[108:120]), condition, why)
}

// xfsCondition tells by the superblock whether the log can be looked into, and
// by the log whether its last record is that of unmounting.
func xfsCondition(v *volume, b []byte) (facts.Condition, string) {
	block, agBlocks := uint64(binary.BigEndian.Uint32(b[4:])), uint64(binary.BigEndian.Uint32(b[84:]))
	start, blocks := binary.BigEndian.Uint64(b[48:]), uint64(binary.BigEndian.Uint32(b[96:]))
	sector, agBits := uint64(binary.BigEndian.Uint16(b[102:])), b[124]
	switch {
	case start == 0:
		return facts.UnsureIfClean, "its log is on another device"
	case block < 512 || block > 65536 || block&(block-1) != 0 || sector < 512 || sector > block || agBits > 31 || blocks == 0:
		return facts.UnsureIfClean, "its superblock contradicts itself"
	case b[101]&0xf == 5 && !xfsSumRight(v.at(0, sector)):
		return facts.UnsureIfClean, "the checksum of its superblock is wrong"
	case b[126] != 0:
		return facts.Dirty, "its making or growing did not come to an end"
	case b[101]&0xf == 5 && binary.BigEndian.Uint32(b[216:])&xfsNeedsRepair != 0:
		return facts.Dirty, "its superblock says that it needs repair"
	}
	// A block number has the allocation group above the block within it.
	at := (start>>agBits*agBlocks + start&(1<<agBits-1)) * block
	if start>>agBits > 1<<31 || !v.has(at, blocks*block) {
		return facts.UnsureIfClean, "its log is not within it"
	}
	l := &xfsLog{v, at, blocks * block / xfsBlock}
	if l.unmounted() {
		return facts.Clean, "the last record of its log is that of unmounting"
	}
	return facts.Dirty, "the last record of its log is not that of unmounting"
}

// xfsSumRight checks the superblock of version 5: CRC32c over its sector with
// the sum's own field as zero.
func xfsSumRight(b []byte) bool {
	sum := binary.LittleEndian.Uint32(b[224:])
	clear(b[224:228])
	return crc32.Checksum(b, castagnoli()) == sum
}

// xfsLog is the ring of records of an XFS. Each of its blocks begins with the
// number of the round in which it was written, a record's header with its magic
// before that.
type xfsLog struct {
	v      *volume
	start  uint64 // byte
	blocks uint64 // of 512 bytes
}

func (l *xfsLog) read(block, count uint64) []byte {
	return l.v.at(l.start+block*xfsBlock, count*xfsBlock)
}

func round(block []byte) uint32 {
	if first := binary.BigEndian.Uint32(block); first != xfsRecord {
		return first
	}
	return binary.BigEndian.Uint32(block[4:])
}

func (l *xfsLog) round(block uint64) uint32 { return round(l.read(block, 1)) }

// head finds where the next record would go: where the blocks of this round end
// and those of the one before, or zeroes, begin (kernel fs/xfs/xfs_log_recover.c,
// xlog_find_head and xlog_find_zeroed).
func (l *xfsLog) head() uint64 {
	now := l.round(0)
	low, high := uint64(0), l.blocks // low is of this round, high is not
	for high-low > 1 {
		if middle := (low + high) / 2; l.round(middle) == now {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// unmounted tells whether the record that ends at the head says so: it has one
// operation, with that flag (xlog_check_unmount_rec). Near the head nothing may
// be out of sequence, as it would be after a cut-off; then the kernel would look
// closer, and here it does not count as unmounted.
func (l *xfsLog) unmounted() bool {
	head := l.head()
	now := l.round(0)
	if now == 0 || !l.inSequence(head, now) {
		return false
	}
	// A record of unmounting is its header and one more block, or as many as the
	// log's stripe unit has.
	reach := min(l.blocks, 2048)
	var near []byte // up to the head, maybe from before the end of the ring
	if head < reach {
		near = append(l.read(l.blocks-(reach-head), reach-head), l.read(0, head)...)
	} else {
		near = l.read(head-reach, reach)
	}
	for at := int(reach) - 1; at >= 0; at-- {
		if b := near[at*xfsBlock:]; binary.BigEndian.Uint32(b) == xfsRecord {
			return isUnmount(b, reach-uint64(at), l)
		}
	}
	return false
}

// isUnmount judges the last record; b begins with its header, and blocks are
// left to the head.
func isUnmount(b []byte, blocks uint64, l *xfsLog) bool {
	parts := uint64(1)
	if size := uint64(binary.BigEndian.Uint32(b[320:])); binary.BigEndian.Uint32(b[8:])&2 != 0 && size > xfsHeaderPart {
		parts = (size + xfsHeaderPart - 1) / xfsHeaderPart
	}
	length := uint64(binary.BigEndian.Uint32(b[12:]))
	if parts+(length+xfsBlock-1)/xfsBlock != blocks || binary.BigEndian.Uint32(b[40:]) != 1 || parts >= blocks {
		return false
	}
	return b[parts*xfsBlock+9]&xfsUnmount != 0 // oh_flags of the first operation
}

// inSequence tells whether the blocks near the head have the rounds that they
// ought to: this one before it, and the one before, or none, behind it.
func (l *xfsLog) inSequence(head uint64, now uint32) bool {
	const span = xfsInFlight / xfsBlock
	before := l.read(head-min(head, span), min(head, span))
	for ; len(before) > 0; before = before[xfsBlock:] {
		if round(before) != now {
			return false
		}
	}
	count := min(l.blocks-head, span)
	for after := l.read(head, count); len(after) > 0; after = after[xfsBlock:] {
		if r := round(after); r != now-1 && r != 0 {
			return false
		}
	}
	return true
}
