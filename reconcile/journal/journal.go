// Package journal keeps durable records of bytes in an append-only file and
// knows nothing of what they mean. A record that Append has confirmed survives
// a power cut; a record cut short by one is removed before anything is added.
// Start at Create and Open.
package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// File is what a journal needs of a file. *os.File is one.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

// Journal appends records to a file. After a failed write or sync it refuses
// everything further: what is on the disk is then not known (fsync(2) may
// report an error once and drop the pages).
type Journal struct {
	file   File
	broken error
}

// New wraps a file whose content ends with a whole record.
func New(file File) *Journal { return &Journal{file: file} }

// Create makes a new journal; a file that exists already is an error.
func Create(name string) (*Journal, error) {
	file, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("create journal: %w", err)
	}
	// Without this the file itself may be gone after a power cut.
	if err := syncFolder(filepath.Dir(name)); err != nil {
		return nil, errors.Join(fmt.Errorf("create journal %s: %w", name, err), file.Close())
	}
	return New(file), nil
}

// Open reads a journal's records and makes it ready to take more: a last
// record cut short by a crash is cut off first.
func Open(name string) (*Journal, [][]byte, error) {
	file, content, err := load(name, os.O_RDWR|os.O_APPEND)
	if err != nil {
		return nil, nil, fmt.Errorf("open journal: %w", err)
	}
	records, whole, err := Read(content)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("open journal %s: %w", name, err), file.Close())
	}
	if whole < len(content) {
		if err := errors.Join(file.Truncate(int64(whole)), file.Sync()); err != nil {
			return nil, nil, errors.Join(fmt.Errorf("cut torn record off journal %s: %w", name, err), file.Close())
		}
	}
	return New(file), records, nil
}

// ReadFile gives the records of a journal that is left as it is.
func ReadFile(name string) ([][]byte, error) {
	file, content, err := load(name, os.O_RDONLY)
	if err != nil {
		return nil, fmt.Errorf("read journal: %w", err)
	}
	defer file.Close() // only read
	records, _, err := Read(content)
	if err != nil {
		return nil, fmt.Errorf("read journal %s: %w", name, err)
	}
	return records, nil
}

// maxBytes bounds a journal: the order in it may have 64 MiB, twice as much
// where all of it must be escaped.
const maxBytes = 256 << 20

// load opens and reads a regular file itself: a link might lead anywhere, and a
// pipe never ends.
func load(name string, flags int) (*os.File, []byte, error) {
	file, err := os.OpenFile(name, flags|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, nil, err
	}
	stat, err := file.Stat()
	if err == nil && !stat.Mode().IsRegular() {
		err = fmt.Errorf("%s is no regular file", name)
	}
	var content []byte
	if err == nil {
		content, err = io.ReadAll(io.LimitReader(file, maxBytes+1))
	}
	if err == nil && len(content) > maxBytes {
		err = fmt.Errorf("%s has more than the %d bytes that are read", name, maxBytes)
	}
	if err != nil {
		return nil, nil, errors.Join(err, file.Close())
	}
	return file, content, nil
}

// Append writes one record and returns once it is on the disk. The record must
// not contain a line feed.
func (j *Journal) Append(record []byte) error {
	if j.broken != nil {
		return fmt.Errorf("append to journal: an earlier write failed: %w", j.broken)
	}
	if bytes.IndexByte(record, '\n') >= 0 {
		return errors.New("append to journal: the record contains a line feed")
	}
	if len(record) > maxBytes {
		return fmt.Errorf("append to journal: the record's %d bytes are more than are read back", len(record))
	}
	if _, err := j.file.Write(framed(record)); err != nil {
		j.broken = err
		return fmt.Errorf("append to journal: %w", err)
	}
	if err := j.file.Sync(); err != nil {
		j.broken = err
		return fmt.Errorf("append to journal: %w", err)
	}
	return nil
}

// Close closes the file.
func (j *Journal) Close() error { return j.file.Close() }

func syncFolder(name string) error {
	folder, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
