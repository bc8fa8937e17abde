// Package fat reads files and folders of FAT filesystems from bytes. Start at
// Open.
package fat

import (
	"encoding/binary"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
)

// Microsoft's "FAT32 File System Specification" 1.03. The disk
// library that writes shim disks is not used to read: on damaged volumes it
// follows circular chains for ever, reserves memory for whatever length a
// folder's chain has, and takes unreadable sectors for empty ones.
const (
	folderMost = 65536 * entrySize // bytes of one folder, by the specification
	entrySize  = 32
	longName   = 0x0F // attributes of an entry that holds a piece of a long name
	folderMark = 0x10
	labelMark  = 0x08
	deleted    = 0xE5

	fat16From = 4085  // clusters; fewer are FAT12
	fat32From = 65525 // clusters
)

// Volume is a FAT filesystem. Offsets are in bytes from its start.
type Volume struct {
	r           io.ReaderAt
	bits        int // 12, 16 or 32 for each entry of the table
	tableAt     int64
	rootAt      int64 // of the fixed root folder, not with FAT32
	rootSize    int64
	rootCluster uint32 // with FAT32
	dataAt      int64
	clusterSize int64
	clusters    uint32 // numbered from 2
}

// File is one entry of a folder.
type File struct {
	Name    string // long name, else short name
	Folder  bool
	Cluster uint32 // first; 0: empty
	Bytes   int64
}

// Open checks the boot sector of a volume of that size in bytes.
func Open(r io.ReaderAt, size int64) (*Volume, error) {
	b := make([]byte, 512)
	if err := readFull(r, b, 0); err != nil {
		return nil, fmt.Errorf("read boot sector: %w", err)
	}
	le := binary.LittleEndian
	sector, perCluster := int64(le.Uint16(b[11:])), int64(b[13])
	reserved, tables, rootEntries := int64(le.Uint16(b[14:])), int64(b[16]), int64(le.Uint16(b[17:]))
	sectors, perTable := int64(le.Uint16(b[19:])), int64(le.Uint16(b[22:]))
	if sectors == 0 {
		sectors = int64(le.Uint32(b[32:]))
	}
	if perTable == 0 {
		perTable = int64(le.Uint32(b[36:]))
	}
	switch {
	case b[510] != 0x55 || b[511] != 0xAA:
		return nil, fmt.Errorf("no boot sector signature")
	case sector != 512 && sector != 1024 && sector != 2048 && sector != 4096:
		return nil, fmt.Errorf("sectors of %d bytes", sector)
	case perCluster == 0 || perCluster&(perCluster-1) != 0:
		return nil, fmt.Errorf("clusters of %d sectors", perCluster)
	case reserved == 0 || tables == 0 || perTable == 0:
		return nil, fmt.Errorf("no allocation table")
	case sectors*sector > size:
		return nil, fmt.Errorf("filesystem of %d bytes in a partition of %d", sectors*sector, size)
	}
	v := &Volume{r: r, tableAt: reserved * sector, clusterSize: perCluster * sector}
	v.rootAt = v.tableAt + tables*perTable*sector
	v.rootSize = rootEntries * entrySize
	v.dataAt = v.rootAt + (v.rootSize+sector-1)/sector*sector
	if v.dataAt > sectors*sector {
		return nil, fmt.Errorf("no room for data")
	}
	v.clusters = uint32((sectors*sector - v.dataAt) / v.clusterSize)
	return v, v.kind(b, perTable*sector)
}

// kind decides on the width of the table's entries, by the number of clusters
// alone as the specification demands.
func (v *Volume) kind(boot []byte, tableSize int64) error {
	switch {
	case v.clusters < fat16From:
		v.bits = 12
	case v.clusters < fat32From:
		v.bits = 16
	default:
		v.bits = 32
		v.rootCluster = binary.LittleEndian.Uint32(boot[44:])
	}
	if (v.bits == 32) != (v.rootSize == 0) {
		return fmt.Errorf("root folder of %d bytes with FAT%d", v.rootSize, v.bits)
	}
	if need := (int64(v.clusters) + 2) * int64(v.bits); need > tableSize*8 {
		return fmt.Errorf("allocation table of %d bytes for %d clusters", tableSize, v.clusters)
	}
	return nil
}

// next gives the cluster that follows one in its chain, 0 at the end.
func (v *Volume) next(cluster uint32) (uint32, error) {
	b := make([]byte, 4)
	at := v.tableAt + int64(cluster)*int64(v.bits)/8
	if err := readFull(v.r, b[:(v.bits+7)/8], at); err != nil {
		return 0, fmt.Errorf("read allocation table: %w", err)
	}
	entry := binary.LittleEndian.Uint32(b)
	last := uint32(0x0FFFFFF8)
	switch v.bits {
	case 12:
		entry = entry >> (4 * (cluster % 2)) & 0xFFF
		last = 0xFF8
	case 16:
		last = 0xFFF8
	case 32:
		entry &= 0x0FFFFFFF // the upper four bits are reserved
	}
	if entry >= last {
		return 0, nil
	}
	return entry, v.check(entry)
}

// check refuses a cluster that does not exist: free, bad or outside.
func (v *Volume) check(cluster uint32) error {
	if cluster < 2 || cluster-2 >= v.clusters {
		return fmt.Errorf("chain leads to cluster %d of %d", cluster, v.clusters)
	}
	return nil
}

// Read gives up to most bytes of the chain that begins at a cluster. A chain
// that is longer is an error when whole is asked for.
func (v *Volume) Read(cluster uint32, most int64, whole bool) ([]byte, error) {
	if err := v.check(cluster); err != nil {
		return nil, err
	}
	var content []byte
	for {
		if int64(len(content)) >= most {
			if whole {
				return nil, fmt.Errorf("chain of more than %d bytes", most)
			}
			return content[:most], nil
		}
		b := make([]byte, v.clusterSize)
		if err := readFull(v.r, b, v.dataAt+int64(cluster-2)*v.clusterSize); err != nil {
			return nil, fmt.Errorf("read cluster %d: %w", cluster, err)
		}
		content = append(content, b...)
		next, err := v.next(cluster)
		if err != nil {
			return nil, err
		}
		if next == 0 {
			return content[:min(int64(len(content)), most)], nil
		}
		cluster = next
	}
}

// Root lists the root folder.
func (v *Volume) Root() ([]File, error) {
	if v.bits == 32 {
		return v.List(v.rootCluster)
	}
	b := make([]byte, v.rootSize)
	if err := readFull(v.r, b, v.rootAt); err != nil {
		return nil, fmt.Errorf("read root folder: %w", err)
	}
	return folderFiles(b), nil
}

// List lists the folder that begins at a cluster.
func (v *Volume) List(cluster uint32) ([]File, error) {
	b, err := v.Read(cluster, folderMost, true)
	if err != nil {
		return nil, err
	}
	return folderFiles(b), nil
}

// folderFiles reads a folder's entries. A long name stands in pieces before
// the entry it belongs to, last piece first, each with the short name's sum.
func folderFiles(b []byte) []File {
	var files []File
	var long []uint16
	var sum byte
	for ; len(b) >= entrySize && b[0] != 0; b = b[entrySize:] {
		entry := b[:entrySize]
		attributes := entry[11] & 0x3F
		switch {
		case entry[0] == deleted:
			long = nil
		case attributes == longName:
			long = append(longPiece(entry), long...)
			sum = entry[13]
		case attributes&labelMark != 0:
			long = nil
		default:
			files = append(files, folderFile(entry, long, sum))
			long = nil
		}
	}
	return files
}

func folderFile(entry []byte, long []uint16, sum byte) File {
	le := binary.LittleEndian
	f := File{
		Name:    shortName(entry),
		Folder:  entry[11]&folderMark != 0,
		Cluster: uint32(le.Uint16(entry[20:]))<<16 | uint32(le.Uint16(entry[26:])),
		Bytes:   int64(le.Uint32(entry[28:])),
	}
	if len(long) > 0 && sum == shortSum(entry) {
		f.Name = string(utf16.Decode(long))
	}
	return f
}

// shortName reads a name of the 8.3 form.
func shortName(entry []byte) string {
	base := strings.TrimRight(string(entry[:8]), " ")
	if extension := strings.TrimRight(string(entry[8:11]), " "); extension != "" {
		return base + "." + extension
	}
	return base
}

// shortSum is the checksum over a short name that pieces of its long name hold.
func shortSum(entry []byte) byte {
	var sum byte
	for _, c := range entry[:11] {
		sum = sum>>1 | sum<<7
		sum += c
	}
	return sum
}

// longPiece gives the up to 13 units of a piece of a long name.
func longPiece(entry []byte) []uint16 {
	var units []uint16
	for _, span := range [][2]int{{1, 11}, {14, 26}, {28, 32}} {
		for i := span[0]; i < span[1]; i += 2 {
			unit := binary.LittleEndian.Uint16(entry[i:])
			if unit == 0 {
				return units
			}
			units = append(units, unit)
		}
	}
	return units
}

// readFull reads all of b or gives an error.
func readFull(r io.ReaderAt, b []byte, at int64) error {
	n, err := r.ReadAt(b, at)
	if n == len(b) {
		return nil
	}
	if err == nil {
		err = io.ErrUnexpectedEOF
	}
	return err
}
