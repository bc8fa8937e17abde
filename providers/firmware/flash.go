package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"

	"github.com/lima-vm/go-qcow2reader/image/qcow2"
)

// rawFlash gives the flash content of an image file: the file itself, or what
// a qcow2 file holds, in which form some systems ship their firmware.
func rawFlash(content []byte) ([]byte, error) {
	if len(content) > maxImage {
		return nil, fmt.Errorf("%d bytes where at most %d are read", len(content), maxImage)
	}
	if !bytes.HasPrefix(content, []byte(qcow2.Magic)) {
		return content, nil
	}
	flash, err := unpackQcow2(content)
	if err != nil {
		return nil, fmt.Errorf("read qcow2: %w", err)
	}
	return flash, nil
}

// unpackQcow2 reads a qcow2 file that stands alone. The library trusts the
// header's sizes and opens backing files by itself, so the header is checked
// first (QEMU's docs/interop/qcow2.txt), and its panics become errors.
func unpackQcow2(content []byte) (flash []byte, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			flash, err = nil, fmt.Errorf("damaged file: %v", cause)
		}
	}()
	if len(content) < 104 {
		return nil, fmt.Errorf("%d bytes are no header", len(content))
	}
	backing := binary.BigEndian.Uint64(content[8:])
	clusterBits := binary.BigEndian.Uint32(content[20:])
	size := binary.BigEndian.Uint64(content[24:])
	firstLevel := binary.BigEndian.Uint32(content[36:])
	switch {
	case backing != 0:
		return nil, fmt.Errorf("it needs a backing file")
	case clusterBits < 9 || clusterBits > 21:
		return nil, fmt.Errorf("clusters of 2^%d bytes", clusterBits)
	case size > maxImage:
		return nil, fmt.Errorf("flash of %d bytes where at most %d are read", size, maxImage)
	case uint64(firstLevel)*8 > uint64(len(content)):
		return nil, fmt.Errorf("first table of %d entries", firstLevel)
	}
	disk, err := qcow2.Open(bytes.NewReader(content), nil)
	if err != nil {
		return nil, err
	}
	if err := disk.Readable(); err != nil {
		return nil, err
	}
	flash = make([]byte, size)
	if _, err := io.ReadFull(io.NewSectionReader(disk, 0, int64(size)), flash); err != nil {
		return nil, err
	}
	return flash, nil
}
