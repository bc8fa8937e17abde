// Package hive reads keys and values of a Windows registry hive from its bytes, as
// far as they are asked for, and tells where in the file the bytes of a number
// stand. It writes nothing. What does not hold together is an error, never an
// absence. Start at Open, Hive.Find and Key.Value. By the Windows registry file
// format specification (M. Suhanov); its names of sections stand beside the checks.
package hive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

const (
	headBytes = 4096    // the base block; offsets of cells count from its end
	sizeMost  = 2 << 30 // of all bins ("Limits")
	loadMost  = 32 << 20
	countMost = 1 << 20 // of what lists name: those of a system name some ten thousand (common practice)
	primary   = 0       // file types ("Base block")
)

// ErrNotThere is of a key or value that is not there: all that could hold it was
// read.
var ErrNotThere = errors.New("it is not there")

// Hive is a primary file.
type Hive struct {
	r        io.ReaderAt
	size     uint32 // bytes of all bins
	root     uint32
	minor    uint32
	sequence uint32
	unclean  error
	bins     map[uint32]*bin
	loaded   uint64 // bytes of bins
	counted  int    // keys and values that lists have named so far
}

// Open reads the base block of a hive of that size. One that Windows would not
// load is an error; one that is not clean can be read, see Clean.
func Open(r io.ReaderAt, sizeBytes uint64) (*Hive, error) {
	b := make([]byte, headBytes)
	if sizeBytes < 2*headBytes {
		return nil, fmt.Errorf("it has only %d bytes", sizeBytes)
	}
	if err := fill(r, b, 0); err != nil {
		return nil, err
	}
	word := func(at int) uint32 { return binary.LittleEndian.Uint32(b[at:]) }
	h := &Hive{r: r, size: word(40), root: word(36), minor: word(24), sequence: word(4), bins: map[uint32]*bin{}}
	switch {
	case string(b[:4]) != "regf":
		return nil, errors.New("it is no registry hive")
	case word(20) != 1 || h.minor < 3 || h.minor > 5:
		return nil, fmt.Errorf("it is a hive of version %d.%d, known are 1.3 to 1.5", word(20), h.minor)
	case word(28) != primary || word(32) != 1:
		return nil, fmt.Errorf("it is a hive file of type %d and format %d, not a primary one", word(28), word(32))
	case h.size == 0 || h.size%headBytes != 0 || h.size > sizeMost || uint64(h.size) > sizeBytes-headBytes:
		return nil, fmt.Errorf("it says that it holds %d bytes, the file has %d", h.size, sizeBytes)
	}
	switch {
	case word(4) != word(8):
		h.unclean = fmt.Errorf("it was not written in full: its sequence numbers are %d and %d", word(4), word(8))
	case checksum(b) != word(508):
		h.unclean = errors.New("the checksum of its base block is wrong")
	case word(144)&1 != 0: // "Base block", flags
		h.unclean = errors.New("a transaction on it is under way")
	}
	return h, nil
}

// Clean says why what is read of a hive may not be what Windows will read, which
// then takes its logs: nil when nothing speaks for that.
func (h *Hive) Clean() error { return h.unclean }

// checksum is the XOR of the first 127 words; two of its values stand for others
// ("Base block", checksum).
func checksum(b []byte) uint32 {
	var sum uint32
	for at := 0; at < 508; at += 4 {
		sum ^= binary.LittleEndian.Uint32(b[at:])
	}
	switch sum {
	case 0:
		return 1
	case 0xffffffff:
		return 0xfffffffe
	}
	return sum
}

// fill reads all of b, or gives an error.
func fill(r io.ReaderAt, b []byte, at uint64) error {
	n, err := r.ReadAt(b, int64(at))
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return fmt.Errorf("read %d bytes at %d: %w", len(b), at, err)
}
