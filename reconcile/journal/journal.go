// Package journal keeps durable records of bytes in an append-only file and
// knows nothing of what they mean. A record that Append has confirmed survives
// a power cut; a record cut short by one is removed before anything is added.
// Start at Create and Open.
package journal

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strconv"
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

// castagnoli is CRC-32C, RFC 3720 appendix B.4.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

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
	content, err := os.ReadFile(name)
	if err != nil {
		return nil, nil, fmt.Errorf("open journal: %w", err)
	}
	records, whole, err := Read(content)
	if err != nil {
		return nil, nil, fmt.Errorf("open journal %s: %w", name, err)
	}
	file, err := os.OpenFile(name, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return nil, nil, fmt.Errorf("open journal: %w", err)
	}
	if whole < len(content) {
		if err := errors.Join(file.Truncate(int64(whole)), file.Sync()); err != nil {
			return nil, nil, errors.Join(fmt.Errorf("cut torn record off journal %s: %w", name, err), file.Close())
		}
	}
	return New(file), records, nil
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
	line := fmt.Appendf(nil, "%08x %s\n", crc32.Checksum(record, castagnoli), record)
	if _, err := j.file.Write(line); err != nil {
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

// Read splits a journal's content into its records and says how many bytes of
// it are whole. Only the last line may be damaged, since only it can have been
// cut short; damage further up is an error that names the line.
func Read(content []byte) (records [][]byte, whole int, err error) {
	for number := 1; whole < len(content); number++ {
		rest := content[whole:]
		end := bytes.IndexByte(rest, '\n')
		last := end < 0 || end == len(rest)-1
		record, ok := readLine(rest, end)
		switch {
		case ok:
			records = append(records, record)
			whole += end + 1
		case last:
			return records, whole, nil
		default:
			return nil, 0, fmt.Errorf("line %d is damaged and others follow it: this is no crash, the file was changed", number)
		}
	}
	return records, whole, nil
}

func readLine(rest []byte, end int) ([]byte, bool) {
	const prefix = 9 // eight digits and a space
	if end < prefix || rest[prefix-1] != ' ' {
		return nil, false
	}
	sum, err := strconv.ParseUint(string(rest[:prefix-1]), 16, 32)
	record := rest[prefix:end]
	return record, err == nil && uint32(sum) == crc32.Checksum(record, castagnoli)
}

func syncFolder(name string) error {
	folder, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
