package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"lendkeep/providers/formats/guid"
)

// Firmware volume header, PI 1.8 volume 3, 3.2.1.1. Offsets in bytes.
const (
	volumeSignature   = "_FVH"
	volumeSignatureAt = 40
	volumeHeaderLeast = 72         // with one block map entry and its terminator
	volumeRevision    = 2          // EFI_FVH_REVISION
	volumeErasedOnes  = 0x00000800 // EFI_FVB2_ERASE_POLARITY
)

var (
	formatFFS2   = guid.Must("8C8CE578-8A3D-4F1C-9935-896185C32DD3") // EFI_FIRMWARE_FILE_SYSTEM2_GUID
	formatFFS3   = guid.Must("5473C07A-3DCB-4DCA-BD6F-1E9689E7349A") // EFI_FIRMWARE_FILE_SYSTEM3_GUID
	formatNVData = guid.Must("FFF12B8D-7696-4C8B-A985-2747075B4F50") // gEfiSystemNvDataFvGuid: variables, no files
)

// volumeHeader is a checked volume header.
type volumeHeader struct {
	format     guid.GUID
	length     int  // of the whole volume, header included
	filesAt    int  // where the first file header may be
	erasedOnes bool // erased flash reads as ones
}

// erased is the byte that unwritten flash holds.
func (h volumeHeader) erased() byte {
	if h.erasedOnes {
		return 0xFF
	}
	return 0
}

// looksLikeVolume reports whether a volume header may begin at b.
func looksLikeVolume(b []byte) bool {
	return len(b) >= volumeHeaderLeast && string(b[volumeSignatureAt:volumeSignatureAt+4]) == volumeSignature
}

// readVolumeHeader checks the header at the start of b, which may be longer
// than the volume.
func readVolumeHeader(b []byte) (volumeHeader, error) {
	var h volumeHeader
	if !looksLikeVolume(b) {
		return h, fmt.Errorf("no volume header")
	}
	copy(h.format[:], b[16:32])
	length := binary.LittleEndian.Uint64(b[32:])
	attributes := binary.LittleEndian.Uint32(b[44:])
	headerLength := int(binary.LittleEndian.Uint16(b[48:]))
	extended := int(binary.LittleEndian.Uint16(b[52:]))
	switch {
	case length > uint64(len(b)):
		return h, fmt.Errorf("volume of %d bytes where %d are left", length, len(b))
	case headerLength < volumeHeaderLeast || uint64(headerLength) > length || headerLength%8 != 0:
		return h, fmt.Errorf("volume header of %d bytes", headerLength)
	case sum16(b[:headerLength]) != 0:
		return h, fmt.Errorf("checksum of the volume header is wrong")
	case b[55] != volumeRevision:
		return h, fmt.Errorf("volume header of revision %d", b[55])
	}
	h.length = int(length)
	h.erasedOnes = attributes&volumeErasedOnes != 0
	h.filesAt = headerLength
	if extended != 0 {
		end, err := extendedHeaderEnd(b[:h.length], extended)
		if err != nil {
			return h, err
		}
		h.filesAt = max(h.filesAt, end)
	}
	h.filesAt = align(h.filesAt, 8)
	return h, nil
}

// extendedHeaderEnd gives the offset behind the extended header, whose size
// field follows its 16 byte name.
func extendedHeaderEnd(b []byte, at int) (int, error) {
	if at+20 > len(b) {
		return 0, fmt.Errorf("extended volume header at %#x lies outside the volume", at)
	}
	size := binary.LittleEndian.Uint32(b[at+16:])
	if size < 20 || uint64(size) > uint64(len(b)-at) {
		return 0, fmt.Errorf("extended volume header of %d bytes", size)
	}
	return at + int(size), nil
}

// volume reads the volume at the start of b and gives its length, 0 when there
// is none that can be trusted.
func (w *walk) volume(b []byte, at trail) int {
	header, err := readVolumeHeader(b)
	if err != nil {
		w.warn(at, "%v", err)
		return 0
	}
	if at.depth >= maxDepth {
		w.warn(at, "nested deeper than %d levels", maxDepth)
		return header.length
	}
	switch header.format {
	case formatFFS2, formatFFS3:
		w.files(b[:header.length], header, at)
	case formatNVData:
		// Variables: read by ReadVariables, of no interest for drivers.
	default:
		w.warn(at, "volume of an unknown format %s", header.format.Upper())
	}
	return header.length
}

// flash walks a whole flash image: volumes with erased or zeroed gaps between.
func (w *walk) flash(b []byte) {
	for at := 0; at < len(b); {
		if looksLikeVolume(b[at:]) {
			if n := w.volume(b[at:], trail{text: fmt.Sprintf("volume at %#x", at)}); n > 0 {
				at += n
				continue
			}
			// Its length cannot be trusted; what lies behind is searched
			// for more, now that there is a warning.
			at += 8
			continue
		}
		next := nextVolume(b, at)
		if !blank(b[at:next]) {
			w.warn(trail{text: fmt.Sprintf("flash at %#x", at)}, "%d bytes that belong to no volume", next-at)
		}
		at = next
	}
}

// nextVolume finds the next volume header behind at, or the end. Headers are
// aligned to 8 bytes at least.
func nextVolume(b []byte, at int) int {
	for from := at + 8; from < len(b); {
		i := bytes.Index(b[from:], []byte(volumeSignature))
		if i < 0 {
			break
		}
		if start := from + i - volumeSignatureAt; start > at && start%8 == 0 && looksLikeVolume(b[start:]) {
			return start
		}
		from += i + 1
	}
	return len(b)
}

// blank reports whether b is all erased flash or all zeros.
func blank(b []byte) bool {
	if len(b) == 0 {
		return true
	}
	return (b[0] == 0 || b[0] == 0xFF) && filled(b, b[0])
}

// filled reports whether every byte of b is the given one. Volumes have
// megabytes of free space, so b is compared with itself, one byte on.
func filled(b []byte, with byte) bool {
	return len(b) == 0 || b[0] == with && bytes.Equal(b[1:], b[:len(b)-1])
}

func align(n, to int) int { return (n + to - 1) &^ (to - 1) }

// sum16 adds 16 bit words; a valid volume header sums to zero.
func sum16(b []byte) uint16 {
	var sum uint16
	for i := 0; i+1 < len(b); i += 2 {
		sum += binary.LittleEndian.Uint16(b[i:])
	}
	return sum
}

// sum8 adds bytes; a valid file header sums to zero.
func sum8(b []byte) uint8 {
	var sum uint8
	for _, c := range b {
		sum += c
	}
	return sum
}
