package image

import (
	"errors"
	"io"

	"golang.org/x/sys/unix"
)

// raw is a file whose bytes are the disk's.
type raw struct {
	file File
	end  int64 // of the file
}

func newRaw(file File, end int64) *raw { return &raw{file, end} }

func (r *raw) sizeBytes() int64 { return (r.end + sector - 1) / sector * sector }

func (r *raw) piece(offset, max int64, holes bool) (piece, error) {
	here := piece{kind: data, length: max, file: r.file, host: offset}
	if holes {
		here = here.orHole()
	}
	return here, nil
}

// orHole asks the file whether a piece of data is a hole there, and shortens it
// to what is alike. A metadata-preallocated qcow2 file has whole clusters so.
func (p piece) orHole() piece {
	seeker, ok := p.file.(io.Seeker)
	if !ok {
		return p
	}
	// lseek(2). What answers otherwise knows no holes, and all of it is data.
	start, err := seeker.Seek(p.host, unix.SEEK_DATA)
	switch {
	case errors.Is(err, unix.ENXIO):
		return piece{kind: zero, length: p.length}
	case err != nil || start < p.host:
		return p
	case start > p.host:
		return piece{kind: zero, length: min(p.length, start-p.host)}
	}
	if hole, err := seeker.Seek(p.host, unix.SEEK_HOLE); err == nil && hole > p.host {
		p.length = min(p.length, hole-p.host)
	}
	return p
}

// numbered is a file of the system.
type numbered interface{ Fd() uintptr }

func forget(file File, at, length int64) {
	if f, ok := file.(numbered); ok {
		_ = unix.Fadvise(int(f.Fd()), at, length, unix.FADV_DONTNEED)
	}
}
