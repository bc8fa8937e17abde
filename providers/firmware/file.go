package firmware

import (
	"encoding/binary"
	"fmt"

	"lendkeep/providers/formats/guid"
)

// Firmware file header, PI 1.8 volume 3, 3.2.3; edk2 PiFirmwareFile.h.
const (
	fileHeader      = 24
	fileHeaderLarge = 32 // FFS3 with the size in 64 bits behind

	fileLarge       = 0x01 // FFS_ATTRIB_LARGE_FILE
	fileChecksummed = 0x40 // FFS_ATTRIB_CHECKSUM
	fileUnsummed    = 0xAA // FFS_FIXED_CHECKSUM, when not checksummed

	fileTypeRaw     = 0x01
	fileTypeDXECore = 0x05
	fileTypeVolume  = 0x0B // EFI_FV_FILETYPE_FIRMWARE_VOLUME_IMAGE
	fileTypeLast    = 0x0F // the last type defined that is made of sections
	fileTypeOwn     = 0xC0 // 0xC0 to 0xEF: vendors' and debugging
	fileTypePad     = 0xF0
)

// Bits of a file's state, after undoing the erase polarity. They are set one
// after another while a file is written and deleted, so the highest one counts.
const (
	stateHeaderConstruction = 0x01
	stateHeaderValid        = 0x02
	stateDataValid          = 0x04
	stateMarkedForUpdate    = 0x08
	stateDeleted            = 0x10
	stateHeaderInvalid      = 0x20
)

// file is a valid file of a volume. Its program lies in the image's memory.
type file struct {
	name    guid.GUID
	kind    byte
	program []byte // the first PE32 section, nil if there is none
	volumes int    // volumes nested in it
}

// fileBounds is a checked file header: where the content lies.
type fileBounds struct {
	name    guid.GUID
	kind    byte
	state   byte // erase polarity undone
	header  int  // length of the header
	length  int  // of the whole file
	summed  bool // the content has a checksum
	dataSum byte
}

// files walks the files of a volume up to its free space.
func (w *walk) files(b []byte, volume volumeHeader, at trail) {
	erased := volume.erased()
	for off := volume.filesAt; off < len(b); {
		rest := b[off:]
		if len(rest) < fileHeader || filled(rest[:fileHeader], erased) {
			// Free space: nothing but erased flash may follow.
			if !filled(rest, erased) {
				w.warn(at, "free space from %#x on is not empty", off)
			}
			return
		}
		bounds, err := readFileHeader(rest, volume)
		if err != nil {
			w.warn(at, "file at %#x: %v", off, err)
			return
		}
		w.file(rest[:bounds.length], bounds, at)
		off = align(off+bounds.length, 8)
	}
}

// readFileHeader checks the file header at the start of b. With an error the
// length cannot be trusted, so the walk of the volume ends.
func readFileHeader(b []byte, volume volumeHeader) (fileBounds, error) {
	f := fileBounds{kind: b[18], state: b[23], header: fileHeader}
	copy(f.name[:], b[:16])
	if volume.erasedOnes {
		f.state = ^f.state
	}
	size := uint64(b[20]) | uint64(b[21])<<8 | uint64(b[22])<<16
	if b[19]&fileLarge != 0 {
		if volume.format != formatFFS3 || len(b) < fileHeaderLarge {
			return f, fmt.Errorf("large file in a volume that holds none")
		}
		f.header = fileHeaderLarge
		size = binary.LittleEndian.Uint64(b[24:])
	}
	// The header's checksum leaves out the state and the content's checksum,
	// which change later.
	if sum8(b[:f.header])-b[17]-b[23] != 0 {
		return f, fmt.Errorf("checksum of the header of %s is wrong", f.name.Upper())
	}
	if size < uint64(f.header) || size > uint64(len(b)) {
		return f, fmt.Errorf("%s has %d bytes where %d are left", f.name.Upper(), size, len(b))
	}
	f.length = int(size)
	f.summed = b[19]&fileChecksummed != 0
	f.dataSum = b[17]
	return f, nil
}

// file reads one file if its state says that it is there.
func (w *walk) file(b []byte, bounds fileBounds, at trail) {
	at = at.in("file " + bounds.name.String())
	live, err := liveState(bounds.state)
	if err != nil {
		w.warn(at, "%v", err)
	}
	if !live {
		return
	}
	content := b[bounds.header:]
	if !contentIntact(content, bounds) {
		w.warn(at, "checksum of the content is wrong")
		return
	}
	switch kind := bounds.kind; {
	case kind == fileTypeRaw, kind == fileTypePad, kind >= fileTypeOwn && kind < fileTypePad:
		// No sections inside.
	case kind > fileTypeRaw && kind <= fileTypeLast:
		w.sectionFile(content, bounds, at)
	default:
		w.warn(at, "file of an unknown type %#x", kind)
	}
}

// sectionFile reads a file that is made of sections and keeps it.
func (w *walk) sectionFile(content []byte, bounds fileBounds, at trail) {
	f := &file{name: bounds.name, kind: bounds.kind}
	w.sections(content, f, at)
	if f.kind == fileTypeVolume && f.volumes == 0 {
		w.warn(at, "no volume in a file that should hold one")
	}
	if f.kind == fileTypeDXECore && f.program != nil {
		w.sawCore = true
	}
	w.found = append(w.found, f)
}

// contentIntact checks the content's checksum, or that none is claimed.
func contentIntact(content []byte, bounds fileBounds) bool {
	if bounds.summed {
		return sum8(content)+bounds.dataSum == 0
	}
	return bounds.dataSum == fileUnsummed
}

// liveState says whether a file of this state counts: its data is valid and it
// is not deleted. A state that a finished image never has is an error too.
func liveState(state byte) (bool, error) {
	const written = stateHeaderConstruction | stateHeaderValid | stateDataValid
	switch state {
	case written:
		return true, nil
	case written | stateDeleted, written | stateMarkedForUpdate | stateDeleted:
		return false, nil
	case written | stateMarkedForUpdate:
		// Its successor may not be complete: valid until it is deleted.
		return true, fmt.Errorf("file is being replaced")
	}
	return false, fmt.Errorf("file in state %#02x, neither valid nor deleted", state)
}
