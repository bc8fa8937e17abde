package hive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

const (
	logHead     = 512
	entriesMost = 1 << 16
)

// Newer tells whether a log holds what was written after the hive was: entries
// with a later sequence number than that of a hive that is clean ("New format"),
// or a base block of its own with one ("Old format"). Windows applies none to a
// clean hive; that one exists says that the hive is not the last one.
func (h *Hive) Newer(log io.ReaderAt, sizeBytes uint64) (bool, error) {
	if sizeBytes == 0 {
		return false, nil
	}
	b := make([]byte, min(sizeBytes, logHead))
	if err := fill(log, b, 0); err != nil {
		return false, err
	}
	if len(b) == logHead && string(b[:4]) == "regf" && checksum(b) == binary.LittleEndian.Uint32(b[508:]) {
		if max(binary.LittleEndian.Uint32(b[4:]), binary.LittleEndian.Uint32(b[8:])) > h.sequence {
			return true, nil
		}
		return h.newerEntry(log, sizeBytes)
	}
	for _, c := range b {
		if c != 0 {
			return false, errors.New("its log does not begin as one")
		}
	}
	return false, nil // never used
}

// newerEntry goes from entry to entry of a log; one of the old format has none.
func (h *Hive) newerEntry(log io.ReaderAt, sizeBytes uint64) (bool, error) {
	b := make([]byte, 16)
	at := uint64(logHead)
	for range entriesMost {
		if at+uint64(len(b)) > sizeBytes {
			return false, nil
		}
		if err := fill(log, b, at); err != nil {
			return false, err
		}
		if string(b[:4]) != "HvLE" {
			return false, nil
		}
		if binary.LittleEndian.Uint32(b[12:]) > h.sequence {
			return true, nil
		}
		size := binary.LittleEndian.Uint32(b[4:])
		if size < 512 || size%512 != 0 {
			return false, fmt.Errorf("an entry of its log has %d bytes", size)
		}
		at += uint64(size)
	}
	return false, errors.New("its log has too many entries")
}
