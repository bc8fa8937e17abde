package content

import (
	"encoding/binary"
	"fmt"

	"lendkeep/reconcile/facts"
)

// fat recognises FAT12, 16 and 32 (Microsoft Extensible Firmware Initiative FAT32
// File System Specification 1.03, 3.1 to 3.5).
func fat(v *volume) finding {
	f, ok := readBPB(v.at(0, 512), v.size)
	if !ok {
		return finding{}
	}
	condition, why := f.condition(v)
	return filesystem("vfat", f.id, f.label(v), condition, why)
}

// bpb is what a FAT's boot sector says.
type bpb struct {
	boot             []byte
	sector, cluster  uint64 // bytes
	tables, copies   uint64 // byte where the first begins; how many
	table            uint64 // bytes of each
	root, rootBytes  uint64 // byte of the root folder; its size, 0 with FAT32
	clusters         uint64
	bits             int // 12, 16, 32
	id, inBootSector string
}

func readBPB(b []byte, size uint64) (bpb, bool) {
	half := func(at int) uint64 { return uint64(binary.LittleEndian.Uint16(b[at:])) }
	word := func(at int) uint64 { return uint64(binary.LittleEndian.Uint32(b[at:])) }
	f := bpb{boot: b, sector: half(11), copies: uint64(b[16])}
	per, media := uint64(b[13]), b[21]
	if b[510] != 0x55 || b[511] != 0xaa || f.sector < 512 || f.sector > 4096 || f.sector&(f.sector-1) != 0 ||
		per == 0 || per&(per-1) != 0 || f.copies == 0 || f.copies > 4 || media != 0xf0 && media < 0xf8 || half(14) == 0 {
		return bpb{}, false
	}
	total, table := half(19), half(22)
	if total == 0 {
		total = word(32)
	}
	extended := 36 // where the part that differs between the kinds begins
	if table == 0 {
		table, extended = word(36), 64
	}
	rootSectors := (half(17)*32 + f.sector - 1) / f.sector
	front := half(14) + f.copies*table + rootSectors
	if table == 0 || front >= total || total > size/f.sector {
		return bpb{}, false
	}
	f.cluster, f.tables, f.table = per*f.sector, half(14)*f.sector, table*f.sector
	f.clusters = (total - front) / per
	f.bits = 12
	switch {
	case extended == 64:
		f.bits = 32
	case f.clusters >= 4085:
		f.bits = 16
	}
	f.root, f.rootBytes = (half(14)+f.copies*table)*f.sector, half(17)*32
	if f.bits == 32 {
		f.root, f.rootBytes = f.root+(max(word(44), 2)-2)*f.cluster, 0
	}
	if sign := b[extended+2]; sign == 0x29 || sign == 0x28 {
		serial := word(extended + 3)
		f.id = fmt.Sprintf("%04X-%04X", serial>>16, serial&0xffff)
	}
	return f, true
}

// label gives the name that the root folder has; a volume without one has none,
// whatever the boot sector says, as with blkid. Only the folder's first 32 KiB
// are looked at: formatting puts the name in front.
func (f bpb) label(v *volume) string {
	size := f.rootBytes
	if f.bits == 32 {
		size = f.cluster
	}
	b := v.at(f.root, min(size, 32<<10))
	for ; len(b) >= 32; b = b[32:] {
		// 0xe5 is a deleted entry; 0x0f marks a part of a long name.
		if b[0] == 0 {
			break
		}
		if attributes := b[11]; b[0] != 0xe5 && attributes&0x0f != 0x0f && attributes&0x18 == 0x08 {
			return text(b[:11])
		}
	}
	return ""
}

// condition reads the marks that Windows keeps in the second entry of the table
// (specification, 4.2: a clear bit is bad), and Linux in the boot sector (kernel
// fs/fat/inode.c, fat_set_state).
func (f bpb) condition(v *volume) (facts.Condition, string) {
	mounted := f.boot[37]
	if f.bits == 32 {
		mounted = f.boot[65]
	}
	b := v.at(f.tables, 8)
	var clean, healthy bool
	switch f.bits {
	case 12:
		if mounted&1 == 0 {
			return facts.UnsureIfClean, "FAT12 has no mark that Windows keeps"
		}
	case 16:
		entry := binary.LittleEndian.Uint16(b[2:])
		clean, healthy = entry&0x8000 != 0, entry&0x4000 != 0
	default:
		entry := binary.LittleEndian.Uint32(b[4:])
		clean, healthy = entry&0x08000000 != 0, entry&0x04000000 != 0
	}
	switch {
	case mounted&1 != 0:
		return facts.Dirty, "its boot sector says that it is mounted"
	case !clean:
		return facts.Dirty, "its table says that it was not unmounted"
	case !healthy:
		return facts.Dirty, "its table says that there were errors"
	}
	return facts.Clean, "its table and boot sector say that it was unmounted"
}

// exfat recognises exFAT (Microsoft exFAT file system specification, 3.1 and
// 7.3).
func exfat(v *volume) finding {
	b := v.at(0, 512)
	if string(b[3:11]) != "EXFAT   " || b[510] != 0x55 || b[511] != 0xaa {
		return finding{}
	}
	serial := binary.LittleEndian.Uint32(b[100:])
	flags := binary.LittleEndian.Uint16(b[106:])
	condition, why := facts.Clean, "its boot sector says that it was unmounted"
	if flags&0x2 != 0 {
		condition, why = facts.Dirty, "its boot sector says that it was not unmounted (VolumeDirty)"
	} else if flags&0x4 != 0 {
		condition, why = facts.Dirty, "its boot sector says that its medium failed (MediaFailure)"
	}
	return filesystem("exfat", fmt.Sprintf("%04X-%04X", serial>>16, serial&0xffff), exfatLabel(v, b), condition, why)
}

// exfatLabel looks for the name in the first cluster of the root folder, where
// formatting puts it.
func exfatLabel(v *volume, boot []byte) string {
	heap, root := uint64(binary.LittleEndian.Uint32(boot[88:])), uint64(binary.LittleEndian.Uint32(boot[96:]))
	sector, cluster := boot[108], boot[109]
	if root < 2 || sector < 9 || sector > 12 || cluster > 25-sector {
		return ""
	}
	b := v.at(heap<<sector+(root-2)<<(sector+cluster), min(32<<10, uint64(1)<<(sector+cluster)))
	for ; len(b) >= 32 && b[0] != 0; b = b[32:] {
		if b[0] == 0x83 && b[1] <= 11 {
			return wide(b[2:2+2*int(b[1])], false)
		}
	}
	return ""
}
