// Package ext reads files and folders of ext2, ext3 and ext4 filesystems from bytes.
// Start at Open.
//
// The disk library that the project makes shim disks with is not used here (tried with
// v1.9.4): it panics on files with holes, refuses filesystems without checksums of
// metadata, and follows an extent tree that leads back to itself without an end.
package ext

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"lendkeep/providers/formats/runs"
)

// Kernel Documentation/filesystems/ext4, "Super Block", "Block Group Descriptors" and
// "Index Nodes".
const (
	superblockAt = 1024
	magic        = 0xef53
	rootInode    = 2

	withFiletype = 0x2 // s_feature_incompat
	with64bit    = 0x80
	// filetype, recover, extents, 64bit, mmp, flex_bg, ea_inode, csum_seed, largedir,
	// inline_data, encrypt, casefold: what of these changes how a file is read stands
	// in its flags. meta_bg moves the descriptors and is not among them.
	knownIncompat = 0x2 | 0x4 | 0x40 | with64bit | 0x100 | 0x200 | 0x400 | 0x2000 | 0x4000 | 0x8000 | 0x10000 | 0x20000

	flagExtents = 0x80000
	// compressed, encrypted, data within the inode, names that differ in case only
	refusedFlags = 0x4 | 0x800 | 0x10000000 | 0x40000000
)

// Volume is an ext filesystem.
type Volume struct {
	r             io.ReaderAt
	blockBytes    uint64
	blocks        uint64
	inodes        uint32
	groupInodes   uint32
	groups        uint64
	inodeBytes    uint64
	descriptorsAt uint64 // byte
	descriptor    uint64 // bytes of one
	filetype      bool
	sums          bool   // of its metadata
	sumSeed       uint32 // with which they begin
}

var le = binary.LittleEndian

// Open checks the superblock of a volume of that size in bytes. A journal that is to be
// replayed is no error: then what is read may be older than what was written.
func Open(r io.ReaderAt, size uint64) (*Volume, error) {
	b := make([]byte, 1024)
	if err := runs.Full(r, b, superblockAt); err != nil {
		return nil, fmt.Errorf("read superblock: %w", err)
	}
	incompat := le.Uint32(b[0x60:])
	shift := le.Uint32(b[0x18:])
	switch {
	case le.Uint16(b[0x38:]) != magic:
		return nil, errors.New("no ext filesystem")
	case incompat&^knownIncompat != 0:
		return nil, fmt.Errorf("it has features that are not known (%#x)", incompat&^knownIncompat)
	case shift > 6: // 64 KiB
		return nil, fmt.Errorf("blocks of 2^%d bytes", 10+uint64(shift))
	}
	v := &Volume{r: r, blockBytes: 1024 << shift, blocks: uint64(le.Uint32(b[4:])), inodes: le.Uint32(b[0:]),
		groupInodes: le.Uint32(b[0x28:]), inodeBytes: 128, descriptor: 32, filetype: incompat&withFiletype != 0,
		sums: le.Uint32(b[0x64:])&withSums != 0, sumSeed: seedOf(b)}
	first, groupBlocks := uint64(le.Uint32(b[0x14:])), uint64(le.Uint32(b[0x20:]))
	if le.Uint32(b[0x4c:]) > 0 { // s_rev_level
		v.inodeBytes = uint64(le.Uint16(b[0x58:]))
	}
	if incompat&with64bit != 0 {
		v.blocks |= uint64(le.Uint32(b[0x150:])) << 32
		v.descriptor = uint64(le.Uint16(b[0xfe:]))
	}
	switch {
	case v.blocks == 0 || v.blocks > size/v.blockBytes:
		return nil, fmt.Errorf("filesystem of %d blocks of %d bytes in a partition of %d", v.blocks, v.blockBytes, size)
	case v.inodeBytes < 128 || v.inodeBytes > v.blockBytes || v.inodeBytes&(v.inodeBytes-1) != 0:
		return nil, fmt.Errorf("inodes of %d bytes", v.inodeBytes)
	case v.descriptor < 32 || v.descriptor > 1024 || incompat&with64bit != 0 && v.descriptor < 64:
		return nil, fmt.Errorf("group descriptors of %d bytes", v.descriptor)
	case groupBlocks == 0 || v.groupInodes == 0 || first > 1 || first >= v.blocks:
		return nil, errors.New("its superblock contradicts itself")
	}
	v.groups = (v.blocks - first + groupBlocks - 1) / groupBlocks
	// Behind the superblock's own block (kernel fs/ext4/super.c, descriptor_loc).
	v.descriptorsAt = (superblockAt/v.blockBytes + 1) * v.blockBytes
	return v, nil
}

// Root gives the number of the root folder.
func (v *Volume) Root() uint64 { return rootInode }

// Stat gives what a file is, and its size in bytes.
func (v *Volume) Stat(number uint64) (fs.FileMode, int64, error) {
	n, err := v.inode(number)
	if err != nil {
		return 0, 0, err
	}
	return n.mode(), int64(n.size()), nil
}

// inode is the bytes of one.
type inode []byte

// inode reads one; one that has no name or whose form is not known is an error.
func (v *Volume) inode(number uint64) (inode, error) {
	if number == 0 || number > uint64(v.inodes) {
		return nil, fmt.Errorf("inode %d of %d", number, v.inodes)
	}
	group, index := (number-1)/uint64(v.groupInodes), (number-1)%uint64(v.groupInodes)
	if group >= v.groups {
		return nil, fmt.Errorf("inode %d in group %d of %d", number, group, v.groups)
	}
	d := make([]byte, v.descriptor)
	if err := runs.Full(v.r, d, v.descriptorsAt+group*v.descriptor); err != nil {
		return nil, fmt.Errorf("read descriptor of group %d: %w", group, err)
	}
	table := uint64(le.Uint32(d[8:]))
	if v.descriptor >= 64 {
		table |= uint64(le.Uint32(d[0x28:])) << 32
	}
	b := make([]byte, v.inodeBytes)
	if table == 0 || table >= v.blocks {
		return nil, fmt.Errorf("inode table at block %d of %d", table, v.blocks)
	}
	if err := runs.Full(v.r, b, table*v.blockBytes+index*v.inodeBytes); err != nil {
		return nil, fmt.Errorf("read inode %d: %w", number, err)
	}
	n := inode(b)
	switch {
	case !v.inodeRight(number, n):
		return nil, fmt.Errorf("inode %d: its checksum is wrong", number)
	case le.Uint16(b[0x1a:]) == 0:
		return nil, fmt.Errorf("inode %d is not used", number)
	case n.flags()&refusedFlags != 0:
		return nil, fmt.Errorf("inode %d is compressed, encrypted, or keeps its data in a way that is not read (flags %#x)", number, n.flags())
	case n.size() > runs.FileMost:
		return nil, fmt.Errorf("inode %d has %d bytes", number, n.size())
	}
	return n, nil
}

func (n inode) flags() uint32 { return le.Uint32(n[0x20:]) }

func (n inode) size() uint64 { return uint64(le.Uint32(n[4:])) | uint64(le.Uint32(n[0x6c:]))<<32 }

func (n inode) mode() fs.FileMode {
	switch le.Uint16(n[0:]) & 0xf000 {
	case 0x8000:
		return 0
	case 0x4000:
		return fs.ModeDir
	case 0xa000:
		return fs.ModeSymlink
	}
	return fs.ModeIrregular
}
