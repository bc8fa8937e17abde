package sysfs

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	qcow2reader "github.com/lima-vm/go-qcow2reader"
	"github.com/lima-vm/go-qcow2reader/image/qcow2"
	"github.com/lima-vm/go-qcow2reader/image/raw"
)

// imageHead is what the first bytes of an image say.
type imageHead struct {
	format  string // "qcow2", "raw", ...
	basedOn string // name of another file as it stands in the header
}

// errMayBeBased is for formats that can be based on another file in ways that
// are not read here.
var errMayBeBased = errors.New("an image of this format may be based on another file, which is not read")

// readImageHead tells what an image looks like and the file that it would then be
// based on. A raw image may only look like that, since its guest can write it:
// what is found so counts as one more use, never as one less, and neither the
// format nor the file is read from or written into a definition. It reads
// the header and nothing more: qcow2reader itself would open that other file,
// outside the root too, and make a table as large as the header asks for, and a
// raw image may begin with whatever a guest wrote there.
func readImageHead(image io.ReaderAt) (imageHead, error) {
	first := make([]byte, 512)
	n, err := image.ReadAt(first, 0)
	if err != nil && err != io.EOF {
		return imageHead{}, err
	}
	first = first[:n]
	switch {
	case bytes.HasPrefix(first, []byte(qcow2.Magic)):
		return readQcow2Head(image, first)
	case bytes.HasPrefix(first, []byte("QED\x00")): // QEMU docs/interop/qed_spec.txt
		return imageHead{format: "qed"}, errMayBeBased
	}
	for _, format := range qcow2reader.Types {
		if format == qcow2.Type {
			continue
		}
		if _, err := qcow2reader.OpenWithType(bytes.NewReader(first), format); err != nil {
			continue
		}
		if format == raw.Type {
			break
		}
		return imageHead{format: string(format)}, errMayBeBased
	}
	return imageHead{format: string(raw.Type)}, nil
}

// Limits of the format (QEMU docs/interop/qcow2.txt).
const (
	maxBackingName = 1023
	maxExtensions  = 64
)

// readQcow2Head reads the names of other files from a qcow2 header. Names come
// from the image and so, at worst, from a guest: sizes and offsets are bounded.
func readQcow2Head(image io.ReaderAt, first []byte) (imageHead, error) {
	head := imageHead{format: string(qcow2.Type)}
	fields, newer, err := readQcow2Fields(first)
	if err == nil && fields.BackingFileOffset != 0 {
		head.basedOn, err = readName(image, fields.BackingFileOffset, fields.BackingFileSize)
	}
	if err != nil || newer.IncompatibleFeatures>>qcow2.IncompatibleFeaturesExternalDataFileBit&1 == 0 {
		return head, err
	}
	data, err := readOutsideName(image, uint64(newer.HeaderLength))
	if err == nil && head.basedOn != "" {
		err = fmt.Errorf("it is based on %q, and its own data is in %q", head.basedOn, data)
	}
	// The file with its data is as good as one that it is based on.
	head.basedOn = data
	return head, err
}

func readQcow2Fields(first []byte) (fields qcow2.HeaderFieldsV2, newer qcow2.HeaderFieldsV3, err error) {
	reader := bytes.NewReader(first)
	if err := binary.Read(reader, binary.BigEndian, &fields); err != nil {
		return fields, newer, errors.New("its header is cut")
	}
	if fields.Version < 2 || fields.Version > 3 {
		return fields, newer, fmt.Errorf("its header is of version %d", fields.Version)
	}
	if fields.Version == 3 && binary.Read(reader, binary.BigEndian, &newer) != nil {
		return fields, newer, errors.New("its header is cut")
	}
	return fields, newer, nil
}

func readName(image io.ReaderAt, offset uint64, size uint32) (string, error) {
	if size == 0 || size > maxBackingName || offset > 1<<31 {
		return "", fmt.Errorf("the name of the file it is based on has %d bytes at %d", size, offset)
	}
	name := make([]byte, size)
	if _, err := image.ReadAt(name, int64(offset)); err != nil {
		return "", fmt.Errorf("read the name of the file it is based on: %w", err)
	}
	return string(name), nil
}

// readOutsideName walks the header's extensions, each a type, a length and
// content filled up to 8 bytes.
func readOutsideName(image io.ReaderAt, at uint64) (string, error) {
	for range maxExtensions {
		var extension [8]byte
		if at > 1<<31 {
			break
		}
		if _, err := image.ReadAt(extension[:], int64(at)); err != nil {
			return "", fmt.Errorf("read where its data is: %w", err)
		}
		kind := qcow2.HeaderExtensionType(binary.BigEndian.Uint32(extension[:]))
		length := binary.BigEndian.Uint32(extension[4:])
		switch kind {
		case qcow2.HeaderExtensionTypeExternalDataFileNameString:
			return readName(image, at+8, length)
		case qcow2.HeaderExtensionTypeEnd:
			return "", errors.New("its data is in another file, which its header does not name")
		}
		at += 8 + (uint64(length)+7)&^7
	}
	return "", errors.New("its data is in another file, which its header does not name")
}
