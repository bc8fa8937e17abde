package content

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"lendkeep/reconcile/facts"
)

// raidMember recognises md's superblocks (kernel
// include/uapi/linux/raid/md_p.h): version 1.1 at the start, 1.2 at 4 KiB, 1.0
// 8 KiB before the end, 0.90 in the last whole 64 KiB.
func raidMember(v *volume) finding {
	const magic = 0xa92b4efc
	sectors := v.size >> 9
	for _, at := range []uint64{0, 4096, (max(sectors, 16) - 16) &^ 7 << 9} {
		b := v.at(at, 256)
		// The superblock says in which sector it is: a moved one is no member.
		if binary.LittleEndian.Uint32(b) == magic && binary.LittleEndian.Uint32(b[4:]) == 1 && binary.LittleEndian.Uint64(b[144:]) == at>>9 {
			return member("linux_raid_member", "raid", uuid(b[16:]), text(b[32:64]))
		}
	}
	if v.size < 1<<17 {
		return finding{}
	}
	b := v.at(v.size&^(1<<16-1)-1<<16, 256)
	id := append(bytes.Clone(b[20:24]), b[52:64]...)
	switch {
	case binary.BigEndian.Uint32(b) == magic: // its words are of the machine that made it
	case binary.LittleEndian.Uint32(b) == magic:
		for word := id; len(word) > 0; word = word[4:] {
			slices.Reverse(word[:4])
		}
	default:
		return finding{}
	}
	return member("linux_raid_member", "raid", uuid(id), "")
}

// volumeGroupMember recognises the label of an LVM physical volume in one of the
// first four sectors of 512 bytes (lvm2 lib/label/label.h, lib/format_text/layout.h).
func volumeGroupMember(v *volume) finding {
	for sector := range uint64(4) {
		b := v.at(sector*512, 512)
		if !bytes.HasPrefix(b, []byte("LABELONE")) || !bytes.HasPrefix(b[24:], []byte("LVM2 001")) || binary.LittleEndian.Uint64(b[8:]) != sector {
			continue
		}
		at := binary.LittleEndian.Uint32(b[20:])
		// LVM's own start value, and no inversion at the end (lib/misc/crc.c).
		if at < 32 || at > 512-32 || binary.LittleEndian.Uint32(b[16:]) != ^crc32.Update(^uint32(0xf597a6cf), crc32.IEEETable, b[20:]) {
			continue
		}
		id := b[at : at+32]
		return member("LVM2_member", "raid", fmt.Sprintf("%s-%s-%s-%s-%s-%s-%s", id[:6], id[6:10], id[10:14], id[14:18], id[18:22], id[22:26], id[26:32]), "")
	}
	return finding{}
}

// secondHeaders is where a second header of LUKS 2 may be.
func secondHeaders() []uint64 {
	var list []uint64
	for at := uint64(0x4000); at <= 0x400000; at *= 2 {
		list = append(list, at)
	}
	return list
}

func isSecondHeader(b []byte, at uint64) bool {
	return bytes.HasPrefix(b, []byte("SKUL\xba\xbe")) && binary.BigEndian.Uint64(b[256:]) == at
}

// SecondHeaders gives the bytes where second headers of LUKS 2 begin: each is
// found by itself once the first header is gone.
func SecondHeaders(r io.ReaderAt, sizeBytes uint64) ([]uint64, error) {
	v := newVolume(r, 0, sizeBytes)
	list := slices.DeleteFunc(secondHeaders(), func(at uint64) bool { return !isSecondHeader(v.at(at, 512), at) })
	return list, v.err
}

// encrypted recognises LUKS 1 and 2 (LUKS2 On-Disk Format Specification, 2.1,
// with the places of a second header).
func encrypted(v *volume) finding {
	for _, at := range append([]uint64{0}, secondHeaders()...) {
		b := v.at(at, 512)
		if !(at == 0 && bytes.HasPrefix(b, []byte("LUKS\xba\xbe"))) && !(at != 0 && isSecondHeader(b, at)) {
			continue
		}
		label := ""
		if binary.BigEndian.Uint16(b[6:]) == 2 {
			label = text(b[24:72])
		}
		return member("crypto_LUKS", "crypto", text(b[168:208]), label)
	}
	return finding{}
}

// bitLocker recognises the boot sector of a BitLocker volume, and of one on a
// removable drive (To Go), which looks as a FAT otherwise (util-linux
// libblkid/src/superblocks/bitlocker.c; its metadata are asked for only where
// nothing else marks it).
func bitLocker(v *volume) finding {
	b := v.at(0, 512)
	if b[0] == 0xeb && string(b[3:11]) == "-FVE-FS-" {
		return member("BitLocker", "crypto", "", "")
	}
	if string(b[:11]) == "\xeb\x58\x90MSWIN4.1" {
		at := binary.LittleEndian.Uint64(b[440:])
		if at != 0 && at%64 == 0 && v.has(at, 8) && string(v.at(at, 8)) == "-FVE-FS-" {
			return member("BitLocker", "crypto", "", "")
		}
	}
	return finding{}
}

// poolMember recognises ZFS by the uberblocks of its four labels of 256 KiB (ZFS
// On-Disk Specification, 1.2 and 1.3: two in front, two at the end).
func poolMember(v *volume) finding {
	const label = 256 << 10
	if v.size < 4*label {
		return finding{}
	}
	end := v.size &^ (label - 1)
	for _, at := range []uint64{0, label, end - 2*label, end - label} {
		ring := v.at(at+label/2, label/2)
		for i := 0; i < len(ring); i += 1024 {
			if number := ring[i : i+8]; binary.LittleEndian.Uint64(number) == 0x00bab10c || binary.BigEndian.Uint64(number) == 0x00bab10c {
				return member("zfs_member", "raid", "", "")
			}
		}
	}
	return finding{}
}

// swap recognises swap areas of usual page sizes, and those in which a system
// sleeps (kernel include/linux/swap.h, kernel/power/swap.c; the other marks from
// libblkid's swap.c).
func swap(v *volume) finding {
	// TuxOnIce marks the first page, and leaves the swap mark at its end.
	if string(v.at(0, 8)) == "\xed\xc3\x02\xe9\x98\x56\xe5\x0c" {
		f := member("swsuspend", "other", "", "")
		f.condition, f.why = facts.Hibernated, "its first bytes are those of TuxOnIce: a system sleeps in it"
		return f
	}
	for _, page := range []uint64{4096, 8192, 16384, 32768, 65536} {
		if !v.has(0, page) {
			break
		}
		mark := string(v.at(page-10, 10))
		b := v.at(1024, 512)
		switch {
		case mark == "SWAPSPACE2" || mark == "SWAP-SPACE":
			f := member("swap", "other", "", "")
			if mark == "SWAPSPACE2" {
				f.signature.UUID, f.signature.Label = uuid(b[12:28]), text(b[28:44])
			}
			return f
		case mark[:9] == "S1SUSPEND" || mark[:9] == "S2SUSPEND" || mark[:9] == "ULSUSPEND" || mark == "LINHIB0001":
			f := member("swsuspend", "other", uuid(b[12:28]), text(b[28:44]))
			f.condition, f.why = facts.Hibernated, "its swap mark is "+mark[:9]+": a system sleeps in it"
			return f
		}
	}
	return finding{}
}
