package firmware

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/diskfs/go-diskfs/backend"
)

// storage lends a disk that is only an io.ReaderAt, or memory, to the disk
// library.
type storage struct {
	reader io.ReaderAt
	writer io.WriterAt // nil: read-only
	size   int64
}

var _ backend.Storage = (*storage)(nil)

// ReadAt reads within the disk.
func (s *storage) ReadAt(b []byte, at int64) (int, error) {
	if at < 0 || at > s.size-int64(len(b)) {
		return 0, fmt.Errorf("read at %d: %w", at, io.ErrUnexpectedEOF)
	}
	return s.reader.ReadAt(b, at)
}

// WriteAt writes within the disk.
func (s *storage) WriteAt(b []byte, at int64) (int, error) {
	if at < 0 || at > s.size-int64(len(b)) {
		return 0, fmt.Errorf("write at %d: %w", at, io.ErrShortWrite)
	}
	return s.writer.WriteAt(b, at)
}

// Writable gives the storage itself when it may be written.
func (s *storage) Writable() (backend.WritableFile, error) {
	if s.writer == nil {
		return nil, backend.ErrIncorrectOpenMode
	}
	return s, nil
}

// Seek only answers how large the disk is, which is all it is asked.
func (s *storage) Seek(offset int64, whence int) (int64, error) {
	if whence != io.SeekEnd || offset != 0 {
		return 0, errors.ErrUnsupported
	}
	return s.size, nil
}

func (s *storage) Read([]byte) (int, error)   { return 0, errors.ErrUnsupported }
func (s *storage) Stat() (fs.FileInfo, error) { return nil, errors.ErrUnsupported }
func (s *storage) Sys() (*os.File, error)     { return nil, backend.ErrNotSuitable }
func (s *storage) Path() string               { return "" }
func (s *storage) Close() error               { return nil }

// memory is a disk in memory.
type memory []byte

func (m memory) ReadAt(b []byte, at int64) (int, error)  { return copy(b, m[at:]), nil }
func (m memory) WriteAt(b []byte, at int64) (int, error) { return copy(m[at:], b), nil }
