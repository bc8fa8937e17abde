package ext

import "hash/crc32"

// Checksums of metadata (kernel Documentation/filesystems/ext4/checksums.rst): CRC32c
// that is not inverted at its end, begun with the filesystem's own number, and of what
// belongs to a file with those of its inode.
const (
	withSums     = 0x400  // s_feature_ro_compat, metadata_csum
	withOwnSeed  = 0x2000 // s_feature_incompat, csum_seed
	flagHashTree = 0x1000 // i_flags
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func summed(seed uint32, b []byte) uint32 { return ^crc32.Update(^seed, castagnoli, b) }

// seedOf gives what the sums of a filesystem begin with.
func seedOf(superblock []byte) uint32 {
	if le.Uint32(superblock[0x60:])&withOwnSeed != 0 {
		return le.Uint32(superblock[0x270:])
	}
	return summed(^uint32(0), superblock[0x68:0x78])
}

// seed gives what the sums of an inode, its folder's and its tree's blocks begin with.
func (v *Volume) seed(number uint64, n inode) uint32 {
	of := summed(v.sumSeed, le.AppendUint32(nil, uint32(number)))
	return summed(of, n[0x64:0x68])
}

// inodeRight compares the sum of an inode, of which the upper half is kept only where
// it has room.
func (v *Volume) inodeRight(number uint64, n inode) bool {
	if !v.sums {
		return true
	}
	b := append(inode(nil), n...)
	want := uint32(le.Uint16(n[0x7c:]))
	clear(b[0x7c:0x7e])
	whole := len(b) > 128 && le.Uint16(b[0x80:]) >= 4
	if whole {
		want |= uint32(le.Uint16(n[0x82:])) << 16
		clear(b[0x82:0x84])
	}
	got := summed(v.seed(number, n), b)
	return got == want || !whole && got&0xffff == want
}

// treeRight compares the sum of a block of an extent tree, behind its last place.
func (v *Volume) treeRight(seed uint32, b []byte) bool {
	end := 12 + 12*int(le.Uint16(b[4:]))
	return !v.sums || end+4 <= len(b) && le.Uint32(b[end:]) == summed(seed, b[:end])
}

// folderRight compares the sum of a block of a folder. The blocks of a hash tree, the
// first of them also the folder's first, hold no names.
func (v *Volume) folderRight(n inode, seed uint32, at uint64, b []byte) bool {
	hashes := at == 0 || le.Uint32(b) == 0 && int(le.Uint16(b[4:])) == len(b)
	if !v.sums || n.flags()&flagHashTree != 0 && hashes {
		return true
	}
	tail := len(b) - 12
	return le.Uint32(b[tail:]) == 0 && le.Uint16(b[tail+4:]) == 12 && b[tail+7] == 0xde && le.Uint32(b[tail+8:]) == summed(seed, b[:tail])
}
