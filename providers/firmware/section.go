package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"

	"lendkeep/providers/formats/guid"

	"github.com/ulikunitz/xz/lzma"
)

// Section types, PI 1.8 volume 3, 3.2.4; edk2 PiFirmwareFile.h.
const (
	sectionCompressed = 0x01
	sectionGUIDed     = 0x02
	sectionDisposable = 0x03
	sectionPE32       = 0x10
	sectionPIC        = 0x11
	sectionTE         = 0x12
	sectionVolume     = 0x17
	sectionSubtype    = 0x18
	sectionRaw        = 0x19
	sectionPEIDepends = 0x1B
	sectionMMDepends  = 0x1C

	sectionHeader      = 4
	sectionHeaderLarge = 8        // size 0xFFFFFF: the real one in 32 bits behind
	sectionSizeLarge   = 0xFFFFFF //
	lzmaHeader         = 13       // properties, dictionary size, unpacked size
)

// formatLZMA is LZMA_CUSTOM_DECOMPRESS_GUID of edk2's LzmaDecompress.h.
var formatLZMA = guid.Must("EE4E5898-3914-4259-9D6E-DC7BD79403CF")

// section is a checked section.
type section struct {
	kind   byte
	header int    // length of the common header
	whole  []byte // header included
}

func (s section) content() []byte { return s.whole[s.header:] }

// readSection checks the section header at the start of b.
func readSection(b []byte) (section, error) {
	if len(b) < sectionHeader {
		return section{}, fmt.Errorf("%d bytes are no section", len(b))
	}
	s := section{kind: b[3], header: sectionHeader}
	size := uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16
	if size == sectionSizeLarge {
		if len(b) < sectionHeaderLarge {
			return s, fmt.Errorf("%d bytes are no large section", len(b))
		}
		s.header = sectionHeaderLarge
		size = binary.LittleEndian.Uint32(b[4:])
	}
	if size < uint32(s.header) || uint64(size) > uint64(len(b)) {
		return s, fmt.Errorf("section of %d bytes where %d are left", size, len(b))
	}
	s.whole = b[:size]
	return s, nil
}

// sections walks a stream of sections that belong to one file.
func (w *walk) sections(b []byte, owner *file, at trail) {
	if at.depth >= maxDepth {
		w.warn(at, "nested deeper than %d levels", maxDepth)
		return
	}
	for off := 0; off < len(b); {
		s, err := readSection(b[off:])
		if err != nil {
			w.warn(at, "section at %#x: %v", off, err)
			return
		}
		w.section(s, owner, at)
		off = align(off+len(s.whole), 4)
	}
}

func (w *walk) section(s section, owner *file, at trail) {
	switch kind := s.kind; {
	case kind == sectionPE32:
		w.program(s, owner, at)
	case kind == sectionVolume:
		owner.volumes++
		w.nested(s.content(), at)
	case kind == sectionGUIDed:
		w.encoded(s, owner, at)
	case kind == sectionCompressed:
		w.compressed(s, owner, at)
	case kind == sectionDisposable, kind == sectionMMDepends,
		kind >= sectionPIC && kind <= sectionPEIDepends && kind != sectionVolume:
		// Leaves that hold no driver: dependencies, names, versions, raw data.
	default:
		w.warn(at, "section of an unknown type %#x", kind)
	}
}

// program keeps the first program of a file.
func (w *walk) program(s section, owner *file, at trail) {
	if _, err := readProgram(s.content()); err != nil {
		w.warn(at, "program: %v", err)
		return
	}
	if owner.program == nil {
		owner.program = s.content()
	}
}

// nested reads a volume that fills a section.
func (w *walk) nested(b []byte, at trail) {
	n := w.volume(b, at.in("volume"))
	if n > 0 && !blank(b[n:]) {
		w.warn(at, "%d bytes behind a nested volume", len(b)-n)
	}
}

// compressed reads a section of the old compression type, which in practice
// only wraps.
func (w *walk) compressed(s section, owner *file, at trail) {
	const header = 5 // unpacked length in 32 bits, compression type
	content := s.content()
	switch {
	case len(content) < header:
		w.warn(at, "compressed section of %d bytes", len(content))
	case content[4] != 0:
		w.warn(at, "compression type %d is not read here", content[4])
	default:
		w.sections(content[header:], owner, at.in("wrapped"))
	}
}

// encoded reads a section whose encoding is named by a GUID.
func (w *walk) encoded(s section, owner *file, at trail) {
	const header = 20 // name, offset of the data, attributes
	content := s.content()
	if len(content) < header {
		w.warn(at, "encoded section of %d bytes", len(content))
		return
	}
	encoding := guid.GUID(content[:16])
	dataAt := int(binary.LittleEndian.Uint16(content[16:])) // from the section's start
	if dataAt < s.header+header || dataAt > len(s.whole) {
		w.warn(at, "data of an encoded section at %#x of %#x", dataAt, len(s.whole))
		return
	}
	if encoding != formatLZMA {
		w.warn(at, "encoding %s is not read here", encoding.Upper())
		return
	}
	unpacked, err := w.unpack(s.whole[dataAt:])
	if err != nil {
		w.warn(at, "unpack LZMA: %v", err)
		return
	}
	w.sections(unpacked, owner, at.in("unpacked"))
}

// unpack decodes an LZMA stream with the classic header, within what is left
// of maxUnpacked. The stream must say its size and keep to it.
func (w *walk) unpack(packed []byte) ([]byte, error) {
	if len(packed) < lzmaHeader {
		return nil, fmt.Errorf("%d bytes are no stream", len(packed))
	}
	size := binary.LittleEndian.Uint64(packed[5:])
	left := maxUnpacked - w.unpacked
	if size > uint64(left) {
		return nil, fmt.Errorf("stream of %d bytes where at most %d are read", size, left)
	}
	reader, err := lzma.ReaderConfig{DictCap: maxUnpacked}.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	w.unpacked += int(size)
	// A short stream must not reserve what it only claims.
	out := bytes.NewBuffer(make([]byte, 0, min(int(size)+1, 32*len(packed))))
	n, err := io.Copy(out, io.LimitReader(reader, int64(size)+1))
	if err != nil {
		return nil, err
	}
	if uint64(n) != size {
		return nil, fmt.Errorf("stream holds %d bytes instead of %d", n, size)
	}
	return out.Bytes(), nil
}
