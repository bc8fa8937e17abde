package image

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// The layout of headers and tables is that of QEMU's docs/interop/qcow2.txt.
const (
	magic        = "QFI\xfb"
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
)

// header is what is needed of a qcow2 header.
type header struct {
	version       uint32
	clusterBits   uint32
	size          int64
	l1Entries     int64
	l1At          int64
	dirty         bool
	corrupt       bool
	extended      bool // entries of L2 tables have bits for 32 parts of a cluster
	zstd          bool // else deflate
	backing       string
	backingFormat string
}

// readHeader reads the header of a qcow2 file that is end bytes long, and
// refuses what cannot be read right.
func readHeader(file io.ReaderAt, end int64) (header, error) {
	var h header
	start := make([]byte, lengthV3+8)
	n, err := file.ReadAt(start, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		return h, fmt.Errorf("read qcow2 header: %w", err)
	}
	if n < lengthV2 || string(start[:4]) != magic {
		return h, errors.New("no qcow2 header stands at its beginning")
	}
	be := binary.BigEndian
	if h.version = be.Uint32(start[4:]); h.version != 2 && h.version != 3 {
		return h, fmt.Errorf("qcow2 version %d is not known", h.version)
	}
	h.clusterBits = be.Uint32(start[20:])
	if h.clusterBits < 9 || h.clusterBits > 21 {
		return h, fmt.Errorf("damaged qcow2 header: clusters of 2^%d bytes", h.clusterBits)
	}
	if method := be.Uint32(start[32:]); method != 0 {
		return h, fmt.Errorf("it is encrypted (method %d): qemu-img convert makes a plain image of it for one who has the key", method)
	}
	extensions := int64(lengthV2)
	if h.version == 3 {
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
func (h *header) readFeatures(start []byte) (int64, error) {
	be := binary.BigEndian
	if len(start) < lengthV3 {
		return 0, errors.New("damaged qcow2 header: cut short")
	}
	features, length := be.Uint64(start[72:]), int64(be.Uint32(start[100:]))
	h.dirty, h.corrupt = features&featureDirty != 0, features&featureCorrupt != 0
	h.extended = features&featureExtended != 0
	switch {
	case features&featureDataFile != 0:
		return 0, errors.New("its data lies in another file (external data file): qemu-img convert makes a plain image of it")
	case features&^featuresKnown != 0:
		return 0, fmt.Errorf("it has incompatible features that are not known (bits %#x): qemu-img convert makes a plain image of it", features&^uint64(featuresKnown))
	case length < lengthV3 || length > h.cluster() || length%8 != 0:
		return 0, fmt.Errorf("damaged qcow2 header: %d bytes long", length)
	case h.extended && h.clusterBits < 14: // a part must hold a sector
		return 0, fmt.Errorf("damaged qcow2 header: extended tables with clusters of %d bytes", h.cluster())
	}
	if features&featureCompression == 0 {
		return length, nil
	}
	if length <= lengthV3 || len(start) <= lengthV3 {
		return 0, errors.New("damaged qcow2 header: the way of compression is missing")
	}
	switch way := start[lengthV3]; way {
	case 1:
		h.zstd = true
	default:
		return 0, fmt.Errorf("its clusters are compressed in a way that is not known (%d): qemu-img convert makes a plain image of it", way)
	}
	return length, nil
}

// readSizes reads the size of the disk and where the L1 table is.
func (h *header) readSizes(start []byte, end int64) error {
	be := binary.BigEndian
	size, entries, at := be.Uint64(start[24:]), int64(be.Uint32(start[36:])), be.Uint64(start[40:])
	if size > math.MaxInt64/2 {
		return fmt.Errorf("damaged qcow2 header: a disk of %d bytes", size)
	}
	h.size = (int64(size) + sector - 1) / sector * sector
	// Divided first: the span of one table may be as large as the number.
	needed := int64(0)
	if h.size > 0 {
		needed = (h.size-1)/h.l2Span() + 1
	}
	switch {
	case entries*8 > maxL1Bytes:
		return fmt.Errorf("damaged qcow2 header: an L1 table of %d entries", entries)
	case entries < needed:
		return fmt.Errorf("damaged qcow2 header: an L1 table of %d entries, the disk needs %d", entries, needed)
	case needed > 0 && (at == 0 || at%uint64(h.cluster()) != 0 || at > uint64(end) || int64(at)+needed*8 > end):
		return fmt.Errorf("damaged qcow2 header: the L1 table at byte %d is not in the file", at)
	}
	h.l1Entries, h.l1At = needed, int64(at)
	return nil
}

// readBacking reads the name of the backing file and its format.
func (h *header) readBacking(file io.ReaderAt, start []byte, extensions int64) error {
	be := binary.BigEndian
	at, length := be.Uint64(start[8:]), int64(be.Uint32(start[16:]))
	if at == 0 {
		return nil
	}
	if at > uint64(h.cluster()) || length == 0 || length > maxNameBytes || int64(at)+length > h.cluster() {
		return fmt.Errorf("damaged qcow2 header: a name of the backing file of %d bytes at byte %d", length, at)
	}
	name := make([]byte, length)
	if _, err := file.ReadAt(name, int64(at)); err != nil {
		return fmt.Errorf("read the name of the backing file: %w", err)
	}
	h.backing = string(name)
	return h.readExtensions(file, extensions, int64(at))
}

// readExtensions looks through the header extensions for the format of the
// backing file; they end before its name at the latest.
func (h *header) readExtensions(file io.ReaderAt, at, end int64) error {
	be := binary.BigEndian
	var head [8]byte
	for at+int64(len(head)) <= end {
		if _, err := file.ReadAt(head[:], at); err != nil {
			return fmt.Errorf("read header extensions: %w", err)
		}
		kind, length := be.Uint32(head[:]), int64(be.Uint32(head[4:]))
		at += int64(len(head))
		if kind == extensionEnd {
			return nil
		}
		if length > end-at {
			return fmt.Errorf("damaged qcow2 header: an extension of %d bytes at byte %d", length, at)
		}
		if kind == extensionBackingFormat {
			format := make([]byte, min(length, maxNameBytes))
			if _, err := file.ReadAt(format, at); err != nil {
				return fmt.Errorf("read header extensions: %w", err)
			}
			h.backingFormat = string(format)
		}
		at += (length + 7) / 8 * 8
	}
	return nil
}

// cluster is the size of a cluster in bytes.
func (h *header) cluster() int64 { return 1 << h.clusterBits }

// entryBytes is the size of one entry of an L2 table.
func (h *header) entryBytes() int64 {
	if h.extended {
		return 16
	}
	return 8
}

// l2Span is how much of the disk one L2 table describes, in bytes.
func (h *header) l2Span() int64 { return h.cluster() / h.entryBytes() * h.cluster() }
