// Package ntfs reads files of an NTFS from the bytes of its volume: by their path,
// or by the number of their record. It tells where on the volume a byte of a file
// is. Nothing is written, and what is not whole is an error, never an absence.
// Start at Open and Volume.Find. The structures are those of the kernel's
// fs/ntfs3/ntfs.h.
package ntfs

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

const mib = 1 << 20

// Records of the file table that have fixed numbers.
const (
	tableRecord  = 0
	LogRecord    = 2 // $LogFile
	VolumeRecord = 3 // $Volume
	rootRecord   = 5
)

var (
	// ErrNotThere is of a path on which nothing is: every folder on the way was read.
	ErrNotThere = errors.New("it is not there")
	errTable    = errors.New("its file table cannot be followed")
)

// Volume is an NTFS as far as its file table can be read.
type Volume struct {
	r       io.ReaderAt
	size    uint64 // bytes
	cluster uint64 // bytes
	record  uint64 // bytes of a record of the file table
	table   []run
}

// Marked tells whether the first 512 bytes of a volume are an NTFS boot sector.
func Marked(b []byte) bool {
	return string(b[3:11]) == "NTFS    " && b[510] == 0x55 && b[511] == 0xaa
}

// Open reads the boot sector, and where the file table is.
func Open(r io.ReaderAt, sizeBytes uint64) (*Volume, error) {
	b := make([]byte, 512)
	v := &Volume{r: r, size: sizeBytes}
	if err := v.read(b, 0); err != nil {
		return nil, err
	}
	if !Marked(b) {
		return nil, errors.New("it has no boot sector of NTFS")
	}
	sector, per := uint64(binary.LittleEndian.Uint16(b[11:])), uint64(b[13])
	if per > 0x80 {
		per = 1 << (256 - per) // large clusters: the power, negative
	}
	v.cluster = sector * per
	v.record = v.sizeOf(b[64])
	if sector < 256 || sector > 4096 || v.cluster == 0 || v.cluster > 2*mib || v.cluster&(v.cluster-1) != 0 ||
		v.record < 512 || v.record > 4096 || v.record&(v.record-1) != 0 {
		return nil, errors.New("its boot sector contradicts itself")
	}
	at := binary.LittleEndian.Uint64(b[48:])
	// The start of the file table has to be read before it can be followed, and
	// what its own record holds before what that names elsewhere.
	v.table = []run{{at: at, count: 1 + 16*v.record/v.cluster}}
	first, _, err := v.attributes(tableRecord)
	if err != nil {
		return nil, err
	}
	for _, gather := range []func([]attribute) ([]attribute, error){joined, v.gathering(tableRecord)} {
		list, err := gather(first)
		if err != nil {
			return nil, err
		}
		content, err := find(list, contentKind, "")
		if err != nil || content == nil || content.runs == nil {
			return nil, errors.Join(err, errTable)
		}
		v.table = content.runs
	}
	return v, nil
}

// sizeOf reads a size in clusters or, negative, as a power of two.
func (v *Volume) sizeOf(b byte) uint64 {
	if b < 0x80 {
		return uint64(b) * v.cluster
	}
	return 1 << min(256-int(b), 62)
}

// read fills b from the volume, whole or not at all.
func (v *Volume) read(b []byte, at uint64) error {
	if at > v.size || uint64(len(b)) > v.size-at {
		return fmt.Errorf("%d bytes at %d are not on a volume of %d bytes", len(b), at, v.size)
	}
	n, err := v.r.ReadAt(b, int64(at))
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("read %d bytes at %d: %w", len(b), at, err)
}
