// Package qcow2 reads the headers of qcow2 images. Start at Read.
package qcow2

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// Magic begins every qcow2 file.
const Magic = "QFI\xfb"

// The layout of headers and tables is that of QEMU's docs/interop/qcow2.txt.
const (
	lengthV2     = 72
	lengthV3     = 104
	maxL1Bytes   = 32 << 20 // QCOW_MAX_L1_SIZE in QEMU's block/qcow2.h
	maxNameBytes = 1023
)

// Incompatible features: a reader must not open an image with one that it does
// not know.
const (
	featureDirty = 1 << iota
	featureCorrupt
	featureDataFile
	featureCompression
	featureExtended
	featuresKnown = 1<<iota - 1
)

// Header extensions.
const (
	extensionEnd           = 0
	extensionBackingFormat = 0xe2792aca
	extensionDataFile      = 0x44415441
	extensionsMost         = 64 // that are looked through
)

// sectorBytes is what QEMU rounds the size of every disk up to.
const sectorBytes = 512

// Header is what is needed of a qcow2 header.
type Header struct {
	Version       uint32
	ClusterBits   uint32
	SizeBytes     int64 // of the disk, a multiple of 512
	L1Entries     int64
	L1At          int64 // byte of the file
	Dirty         bool
	Corrupt       bool
	Extended      bool // entries of L2 tables have bits for 32 parts of a cluster
	Zstd          bool // else deflate
	Backing       string
	BackingFormat string
}

// Read reads the header of a qcow2 file that is end bytes long, and refuses what
// cannot be read right.
func Read(file io.ReaderAt, end int64) (Header, error) {
	var h Header
	start := make([]byte, lengthV3+8)
	n, err := file.ReadAt(start, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return h, fmt.Errorf("read qcow2 header: %w", err)
	}
	if n < lengthV2 || string(start[:4]) != Magic {
		return h, errors.New("no qcow2 header stands at its beginning")
	}
	be := binary.BigEndian
	if h.Version = be.Uint32(start[4:]); h.Version != 2 && h.Version != 3 {
		return h, fmt.Errorf("qcow2 version %d is not known", h.Version)
	}
	h.ClusterBits = be.Uint32(start[20:])
	if h.ClusterBits < 9 || h.ClusterBits > 21 {
		return h, fmt.Errorf("damaged qcow2 header: clusters of 2^%d bytes", h.ClusterBits)
	}
	if method := be.Uint32(start[32:]); method != 0 {
		return h, fmt.Errorf("it is encrypted (method %d): qemu-img convert makes a plain image of it for one who has the key", method)
	}
	extensions := int64(lengthV2)
	if h.Version == 3 {
		if extensions, err = h.readFeatures(start[:n]); err != nil {
			return h, err
		}
	}
	if err := h.readSizes(start, end); err != nil {
		return h, err
	}
	return h, h.readBacking(file, start, extensions)
}

// readFeatures reads the fields of version 3 and gives the header's length.
func (h *Header) readFeatures(start []byte) (int64, error) {
	be := binary.BigEndian
	if len(start) < lengthV3 {
		return 0, errors.New("damaged qcow2 header: cut short")
	}
	features, length := be.Uint64(start[72:]), int64(be.Uint32(start[100:]))
	h.Dirty, h.Corrupt = features&featureDirty != 0, features&featureCorrupt != 0
	h.Extended = features&featureExtended != 0
	switch {
	case features&featureDataFile != 0:
		return 0, errors.New("its data lies in another file (external data file): qemu-img convert makes a plain image of it")
	case features&^featuresKnown != 0:
		return 0, fmt.Errorf("it has incompatible features that are not known (bits %#x): qemu-img convert makes a plain image of it", features&^uint64(featuresKnown))
	case length < lengthV3 || length > h.Cluster() || length%8 != 0:
		return 0, fmt.Errorf("damaged qcow2 header: %d bytes long", length)
	case h.Extended && h.ClusterBits < 14: // a part must hold a sector
		return 0, fmt.Errorf("damaged qcow2 header: extended tables with clusters of %d bytes", h.Cluster())
	}
	if features&featureCompression == 0 {
		return length, nil
	}
	if length <= lengthV3 || len(start) <= lengthV3 {
		return 0, errors.New("damaged qcow2 header: the way of compression is missing")
	}
	switch way := start[lengthV3]; way {
	case 1:
		h.Zstd = true
	default:
		return 0, fmt.Errorf("its clusters are compressed in a way that is not known (%d): qemu-img convert makes a plain image of it", way)
	}
	return length, nil
}

// readSizes reads the size of the disk and where the L1 table is.
func (h *Header) readSizes(start []byte, end int64) error {
	be := binary.BigEndian
	size, entries, at := be.Uint64(start[24:]), int64(be.Uint32(start[36:])), be.Uint64(start[40:])
	if size > math.MaxInt64/2 {
		return fmt.Errorf("damaged qcow2 header: a disk of %d bytes", size)
	}
	h.SizeBytes = (int64(size) + sectorBytes - 1) / sectorBytes * sectorBytes
	// Divided first: the span of one table may be as large as the number.
	needed := int64(0)
	if h.SizeBytes > 0 {
		needed = (h.SizeBytes-1)/h.L2Span() + 1
	}
	switch {
	case entries*8 > maxL1Bytes:
		return fmt.Errorf("damaged qcow2 header: an L1 table of %d entries", entries)
	case entries < needed:
		return fmt.Errorf("damaged qcow2 header: an L1 table of %d entries, the disk needs %d", entries, needed)
	case needed > 0 && (at == 0 || at%uint64(h.Cluster()) != 0 || at > uint64(end) || int64(at)+needed*8 > end):
		return fmt.Errorf("damaged qcow2 header: the L1 table at byte %d is not in the file", at)
	}
	h.L1Entries, h.L1At = needed, int64(at)
	return nil
}

// readBacking reads the name of the backing file and its format. The extensions
// end before the name at the latest.
func (h *Header) readBacking(file io.ReaderAt, start []byte, extensions int64) error {
	be := binary.BigEndian
	at, length := be.Uint64(start[8:]), int64(be.Uint32(start[16:]))
	if at == 0 {
		return nil
	}
	if at > uint64(h.Cluster()) || length == 0 || length > maxNameBytes || int64(at)+length > h.Cluster() {
		return fmt.Errorf("damaged qcow2 header: a name of the backing file of %d bytes at byte %d", length, at)
	}
	var err error
	if h.Backing, err = readText(file, int64(at), length); err != nil {
		return fmt.Errorf("read the name of the backing file: %w", err)
	}
	h.BackingFormat, err = extension(file, extensions, int64(at), extensionBackingFormat)
	return err
}

// Others gives the names of the other files that a qcow2 file is read with, as
// they stand in it: its backing file, and the file that holds its data. Of the
// rest of the header nothing is asked, so that one that Read refuses still says
// what it uses.
func Others(file io.ReaderAt) (backing, data string, err error) {
	start := make([]byte, lengthV3)
	n, err := file.ReadAt(start, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return "", "", err
	}
	be := binary.BigEndian
	version := be.Uint32(start[4:])
	switch {
	case n < lengthV2 || version == 3 && n < lengthV3:
		return "", "", errors.New("its header is cut")
	case version != 2 && version != 3:
		return "", "", fmt.Errorf("its header is of version %d", version)
	}
	if at, length := be.Uint64(start[8:]), int64(be.Uint32(start[16:])); at != 0 {
		if length == 0 || length > maxNameBytes || at > math.MaxUint32 {
			return "", "", fmt.Errorf("the name of the file it is based on has %d bytes at %d", length, at)
		}
		if backing, err = readText(file, int64(at), length); err != nil {
			return "", "", fmt.Errorf("read the name of the file it is based on: %w", err)
		}
	}
	if version == 2 || be.Uint64(start[72:])&featureDataFile == 0 {
		return backing, "", nil
	}
	data, err = extension(file, int64(be.Uint32(start[100:])), math.MaxUint32, extensionDataFile)
	if err == nil && data == "" {
		err = errors.New("its data is in another file, which its header does not name")
	}
	return backing, data, err
}

// extension looks through the header extensions, which begin at a byte and end
// before another, for one; nothing if it is not there.
func extension(file io.ReaderAt, at, end int64, wanted uint32) (string, error) {
	be := binary.BigEndian
	var head [8]byte
	for range extensionsMost {
		if at+int64(len(head)) > end {
			return "", nil
		}
		if _, err := file.ReadAt(head[:], at); err != nil {
			return "", fmt.Errorf("read header extensions: %w", err)
		}
		kind, length := be.Uint32(head[:]), int64(be.Uint32(head[4:]))
		at += int64(len(head))
		switch {
		case kind == extensionEnd:
			return "", nil
		case length > end-at || kind == wanted && length > maxNameBytes:
			return "", fmt.Errorf("damaged qcow2 header: an extension of %d bytes at byte %d", length, at)
		case kind == wanted:
			text, err := readText(file, at, length)
			if err != nil {
				return "", fmt.Errorf("read header extensions: %w", err)
			}
			return text, nil
		}
		at += (length + 7) / 8 * 8
	}
	return "", fmt.Errorf("damaged qcow2 header: more than %d extensions", extensionsMost)
}

func readText(file io.ReaderAt, at, length int64) (string, error) {
	b := make([]byte, length)
	_, err := file.ReadAt(b, at)
	return string(b), err
}

// Cluster is the size of a cluster in bytes.
func (h *Header) Cluster() int64 { return 1 << h.ClusterBits }

// EntryBytes is the size of one entry of an L2 table.
func (h *Header) EntryBytes() int64 {
	if h.Extended {
		return 16
	}
	return 8
}

// L2Span is how much of the disk one L2 table describes, in bytes.
func (h *Header) L2Span() int64 { return h.Cluster() / h.EntryBytes() * h.Cluster() }
