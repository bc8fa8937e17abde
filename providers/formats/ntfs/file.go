package ntfs

import (
	"errors"
	"fmt"
	"io"
)

// File is a file or folder.
type File struct {
	volume     *Volume
	attributes []attribute
	folder     bool
}

// Record gives the file with that number in the file table.
func (v *Volume) Record(number uint64) (*File, error) {
	f, _, err := v.open(number)
	return f, err
}

func (v *Volume) open(number uint64) (*File, head, error) {
	list, h, err := v.attributes(number)
	if err != nil {
		return nil, h, err
	}
	if h.base != 0 {
		return nil, h, fmt.Errorf("%w: record %d is a part of another file", errTable, number)
	}
	list, err = v.gathering(number)(list)
	return &File{v, list, h.folder}, h, err
}

// at gives the file that a folder's entry refers to.
func (v *Volume) at(reference uint64) (*File, error) {
	f, h, err := v.open(reference & numberMask)
	if err == nil && h.used != reference>>48 {
		err = fmt.Errorf("%w: record %d is another file by now", errTable, reference&numberMask)
	}
	return f, err
}

// Value gives the value of an attribute of that kind without a name; nil when the
// file has none. One that is not within the file's record is an error.
func (f *File) Value(kind uint32) ([]byte, error) {
	a, err := find(f.attributes, kind, "")
	if err != nil || a == nil {
		return nil, err
	}
	if a.runs != nil {
		return nil, fmt.Errorf("%w: a value is not where it must be", errTable)
	}
	return a.value, nil
}

// data gives the file's content. What a reparse point stands for is not here but
// with whoever reads it, as with files that Windows has compressed into another
// stream.
func (f *File) data() (*attribute, error) {
	link, err := find(f.attributes, reparseKind, "")
	if err != nil {
		return nil, err
	}
	if link != nil {
		return nil, errors.New("it is a reparse point: its content is elsewhere")
	}
	a, err := find(f.attributes, contentKind, "")
	if err == nil && a == nil {
		err = fmt.Errorf("%w: it has no content", errTable)
	}
	return a, err
}

// SizeBytes gives the size of the file's content, wherever that is kept.
func (f *File) SizeBytes() (uint64, error) {
	a, err := find(f.attributes, contentKind, "")
	if err == nil && a == nil {
		err = fmt.Errorf("%w: it has no content", errTable)
	}
	if err != nil {
		return 0, err
	}
	return a.size, nil
}

// ReadAt implements io.ReaderAt. What is compressed, encrypted or kept elsewhere
// is an error.
func (f *File) ReadAt(b []byte, at int64) (int, error) {
	a, err := f.data()
	if err != nil {
		return 0, err
	}
	if at < 0 || uint64(at) >= a.size {
		return 0, io.EOF
	}
	n := min(uint64(len(b)), a.size-uint64(at))
	if err := f.volume.content(a, b[:n], uint64(at)); err != nil {
		return 0, err
	}
	if n < uint64(len(b)) {
		return int(n), io.EOF
	}
	return int(n), nil
}

// Whole reads all of a file, which has to have at most that many bytes.
func (f *File) Whole(mostBytes uint64) ([]byte, error) {
	size, err := f.SizeBytes()
	if err != nil {
		return nil, err
	}
	if size > mostBytes {
		return nil, fmt.Errorf("it has %d bytes, more than %d are not read", size, mostBytes)
	}
	b := make([]byte, size)
	if n, err := f.ReadAt(b, 0); n < len(b) {
		return nil, err
	}
	return b, nil
}

// content fills b with a part of an attribute that has it.
func (v *Volume) content(a *attribute, b []byte, at uint64) error {
	if a.flags&flagsUnread != 0 {
		return fmt.Errorf("%w: it is compressed or encrypted", errTable)
	}
	if a.runs == nil {
		copy(b, a.value[at:])
		return nil
	}
	written := min(uint64(len(b)), max(a.used, at)-at)
	clear(b[written:])
	return v.fromRuns(a.runs, b[:written], at)
}

// Place gives the byte of the volume at which some bytes of the file stand, in a
// row and as they are: never of what is kept in the file table, compressed,
// encrypted, sparse, or not written in full yet.
func (f *File) Place(at, bytes uint64) (uint64, error) {
	a, err := f.data()
	switch {
	case err != nil:
		return 0, err
	case a.runs == nil:
		return 0, errors.New("its content is kept in the file table")
	case a.flags != 0:
		return 0, fmt.Errorf("it is compressed, encrypted or sparse (flags %04x)", a.flags)
	case a.used != a.size:
		return 0, fmt.Errorf("%d of its %d bytes were never written", a.size-min(a.used, a.size), a.size)
	case bytes == 0 || at > a.size || bytes > a.size-at:
		return 0, fmt.Errorf("%d bytes at %d are not within its %d bytes", bytes, at, a.size)
	}
	place, follow, hole, err := f.volume.locate(a.runs, at)
	switch {
	case err != nil:
		return 0, err
	case hole:
		return 0, errors.New("a hole of it is not on the disk")
	case follow < bytes:
		return 0, errors.New("its bytes do not stand in a row")
	}
	return place, nil
}
