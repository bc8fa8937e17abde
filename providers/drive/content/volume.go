package content

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf16"
)

// volume is the bytes of a partition, or of a drive without any. The first
// error of reading stays, so that a recogniser asks only for bytes.
type volume struct {
	r     io.ReaderAt
	start uint64
	size  uint64
	whole bool // a drive or image, no partition
	err   error
}

// readMost bounds one read; nothing that is looked at is larger.
const readMost = 4 * mib

func newVolume(r io.ReaderAt, start, size uint64) *volume {
	return &volume{r: r, start: start, size: size}
}

// has tells whether n bytes at an offset are within the volume.
func (v *volume) has(offset, n uint64) bool { return offset <= v.size && n <= v.size-offset }

// at gives n bytes at an offset. Outside the volume, and where they cannot be
// read, they are zeroes, so that no signature is seen there.
func (v *volume) at(offset, n uint64) []byte {
	b := make([]byte, min(n, readMost))
	if n > readMost || !v.has(offset, n) {
		return b
	}
	if _, err := v.ReadAt(b, int64(offset)); err != nil {
		clear(b)
	}
	return b
}

// ReadAt implements io.ReaderAt, for what reads more than a recogniser does. b is
// filled or counts as not read.
func (v *volume) ReadAt(b []byte, offset int64) (int, error) {
	n := uint64(len(b))
	if offset < 0 || !v.has(uint64(offset), n) {
		return 0, io.EOF
	}
	got, err := v.r.ReadAt(b, int64(v.start)+offset)
	if uint64(got) == n {
		return got, nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	if v.err == nil {
		v.err = fmt.Errorf("read %d bytes at %d: %w", n, v.start+uint64(offset), err)
	}
	return 0, err
}

// text gives a label as blkid prints it: up to the first zero, without the
// spaces behind.
func text(b []byte) string {
	s, _, _ := strings.Cut(string(b), "\x00")
	return strings.TrimRight(strings.ToValidUTF8(s, "\ufffd"), " \t\n\r\v\f")
}

// wide gives a label of UTF-16 units.
func wide(b []byte, big bool) string {
	var units []uint16
	for i := 0; i+1 < len(b); i += 2 {
		unit := uint16(b[i]) | uint16(b[i+1])<<8
		if big {
			unit = unit>>8 | unit<<8
		}
		if unit == 0 {
			break
		}
		units = append(units, unit)
	}
	return strings.TrimRight(string(utf16.Decode(units)), " ")
}

// uuid gives 16 bytes in the usual form; none is all zeroes.
func uuid(b []byte) string {
	if allZero(b[:16]) {
		return ""
	}
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:16])
}
