// Package xfs reads files and folders of XFS filesystems from bytes. Start at Open.
//
// The library for that follows no links and prints what it reads, and some of its
// methods panic.
package xfs

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"

	"lendkeep/providers/formats/runs"
)

// XFS Algorithms & Data Structures, "Superblocks" and "Inode Core"; kernel
// fs/xfs/libxfs/xfs_format.h.
const (
	// ftype, sparse inodes, meta_uuid, bigtime, nrext64, exchange-range, parent; not
	// needsrepair, and none that is newer.
	knownIncompat = 0x1 | 0x2 | 0x4 | 0x8 | 0x20 | 0x40 | 0x80

	formatLocal   = 1 // di_format
	formatExtents = 2
	formatBtree   = 3

	flagRealtime = 0x1  // di_flags
	flagNrext64  = 0x10 // di_flags2
)

var (
	be         = binary.BigEndian
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

// Volume is an XFS.
type Volume struct {
	r           io.ReaderAt
	v5          bool
	ftype       bool
	blockBytes  uint64
	groupBlocks uint64
	groups      uint64
	groupBits   uint // of a block's number within its group
	inodeBytes  uint64
	inodeBits   uint // of an inode's number within its block
	folderBytes uint64
	root        uint64
}

// Open checks the superblock of a volume of that size in bytes. A log that is to be
// replayed is no error: then what is read may be older than what was written.
func Open(r io.ReaderAt, size uint64) (*Volume, error) {
	b := make([]byte, 512)
	if err := runs.Full(r, b, 0); err != nil {
		return nil, fmt.Errorf("read superblock: %w", err)
	}
	version := be.Uint16(b[100:])
	v := &Volume{r: r, v5: version&0xf == 5, blockBytes: uint64(be.Uint32(b[4:])), groupBlocks: uint64(be.Uint32(b[84:])), groups: uint64(be.Uint32(b[88:])),
		groupBits: uint(b[124]), inodeBytes: uint64(be.Uint16(b[104:])), inodeBits: uint(b[123]), root: be.Uint64(b[56:])}
	v.ftype = v.v5 && be.Uint32(b[216:])&1 != 0 || !v.v5 && version&0x8000 != 0 && be.Uint32(b[200:])&0x200 != 0
	v.folderBytes = v.blockBytes << min(b[192], 16)
	blocks := be.Uint64(b[8:])
	switch {
	case string(b[:4]) != "XFSB":
		return nil, errors.New("no XFS")
	case !v.v5 && (version&0xf != 4 || version&0x2000 == 0):
		return nil, fmt.Errorf("version %#x, which is not read", version)
	case version&0x4000 != 0:
		return nil, errors.New("it does not tell upper case from lower case")
	case v.v5 && be.Uint32(b[216:])&^knownIncompat != 0:
		return nil, fmt.Errorf("it has features that are not known (%#x)", be.Uint32(b[216:])&^knownIncompat)
	case v.blockBytes < 512 || v.blockBytes > 65536 || v.blockBytes&(v.blockBytes-1) != 0 || v.folderBytes > 65536:
		return nil, fmt.Errorf("blocks of %d bytes, of folders %d", v.blockBytes, v.folderBytes)
	case v.inodeBytes < 256 || v.inodeBytes > 2048 || v.inodeBytes<<v.inodeBits != v.blockBytes || v.inodeBits > 8:
		return nil, fmt.Errorf("inodes of %d bytes", v.inodeBytes)
	case v.groupBits > 31 || v.groupBlocks == 0 || v.groupBlocks > 1<<v.groupBits || v.groups == 0:
		return nil, errors.New("its superblock contradicts itself")
	case blocks > size/v.blockBytes || blocks > v.groups*v.groupBlocks || blocks <= (v.groups-1)*v.groupBlocks:
		return nil, fmt.Errorf("filesystem of %d blocks of %d bytes in a partition of %d", blocks, v.blockBytes, size)
	}
	return v, nil
}

// Root gives the number of the root folder.
func (v *Volume) Root() uint64 { return v.root }

// linear gives the place of a block whose number has its group above.
func (v *Volume) linear(block uint64) (uint64, error) {
	group, inside := block>>v.groupBits, block&(1<<v.groupBits-1)
	if group >= v.groups || inside >= v.groupBlocks {
		return 0, fmt.Errorf("block %d of group %d", inside, group)
	}
	return group*v.groupBlocks + inside, nil
}

// inode is the bytes of one.
type inode []byte

// inode reads one; one that is not in use or whose form is not known is an error.
func (v *Volume) inode(number uint64) (inode, error) {
	block, err := v.linear(number >> v.inodeBits)
	if err != nil {
		return nil, fmt.Errorf("inode %d: %w", number, err)
	}
	b := make([]byte, v.inodeBytes)
	if err := runs.Full(v.r, b, block*v.blockBytes+number&(1<<v.inodeBits-1)*v.inodeBytes); err != nil {
		return nil, fmt.Errorf("read inode %d: %w", number, err)
	}
	n := inode(b)
	switch {
	case be.Uint16(b) != 0x494e || be.Uint16(b[2:]) == 0 || (b[4] == 3) != v.v5 || b[4] == 0 || b[4] > 3:
		return nil, fmt.Errorf("inode %d is not one that is in use", number)
	case v.v5 && (be.Uint64(b[152:]) != number || !sumRight(b, 100)):
		return nil, fmt.Errorf("inode %d: its checksum or its number is wrong", number)
	case be.Uint16(b[90:])&flagRealtime != 0:
		return nil, fmt.Errorf("inode %d is on another device", number)
	case n.size() > runs.FileMost:
		return nil, fmt.Errorf("inode %d has %d bytes", number, n.size())
	case n.core()+8*uint64(b[82]) > v.inodeBytes:
		return nil, fmt.Errorf("inode %d contradicts itself", number)
	}
	return n, nil
}

// sumRight checks a CRC32c whose own field counts as zero.
func sumRight(b []byte, at int) bool {
	sum := crc32.Update(0, castagnoli, b[:at])
	sum = crc32.Update(sum, castagnoli, make([]byte, 4))
	return crc32.Update(sum, castagnoli, b[at+4:]) == binary.LittleEndian.Uint32(b[at:])
}

func (n inode) size() uint64 { return be.Uint64(n[56:]) }

// core gives where the fork of the data begins.
func (n inode) core() uint64 {
	if n[4] == 3 {
		return 176
	}
	return 100
}

// fork gives the bytes in the inode that are or lead to its data.
func (n inode) fork() []byte {
	if length := 8 * uint64(n[82]); length > 0 {
		return n[n.core() : n.core()+length]
	}
	return n[n.core():]
}

// extents gives how many there are (nrext64 moves the number).
func (n inode) extents() uint64 {
	if n[4] == 3 && be.Uint64(n[120:])&flagNrext64 != 0 {
		return be.Uint64(n[24:])
	}
	return uint64(be.Uint32(n[76:]))
}

func (n inode) mode() fs.FileMode {
	switch be.Uint16(n[2:]) & 0xf000 {
	case 0x8000:
		return 0
	case 0x4000:
		return fs.ModeDir
	case 0xa000:
		return fs.ModeSymlink
	}
	return fs.ModeIrregular
}

// Stat gives what a file is, and its size in bytes.
func (v *Volume) Stat(number uint64) (fs.FileMode, int64, error) {
	n, err := v.inode(number)
	if err != nil {
		return 0, 0, err
	}
	return n.mode(), int64(n.size()), nil
}

// Link gives where a symbolic link leads; long ones, which lie in blocks of their
// own, are not read.
func (v *Volume) Link(number uint64) (string, error) {
	n, err := v.inode(number)
	if err != nil {
		return "", err
	}
	if n.mode() != fs.ModeSymlink || n[5] != formatLocal || n.size() == 0 || n.size() > uint64(len(n.fork())) {
		return "", fmt.Errorf("inode %d is no link that can be followed", number)
	}
	return string(n.fork()[:n.size()]), nil
}

// Open gives the bytes of a regular file.
func (v *Volume) Open(number uint64) (io.ReaderAt, error) {
	n, err := v.inode(number)
	if err != nil {
		return nil, err
	}
	if n.mode() != 0 {
		return nil, fmt.Errorf("inode %d is no regular file", number)
	}
	return v.content(n)
}
