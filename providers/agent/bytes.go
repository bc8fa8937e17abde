package agent

import (
	"context"
	"fmt"
	"io"
)

// largeBytes is how much of a large file goes with one command: its reply has a third
// more, and stays below libvirt's bound of 10 MiB and mostReply.
const largeBytes = 1 << 20

// largeMost bounds a large file that is read, in bytes. Of the initramfs images of
// distributions those with every driver have up to 150 MiB (common practice).
const largeMost = 256 << 20

// large is an open file of a guest's that is read from its begin to its end, once. It
// remembers the last pieces, for whoever looks back a little.
type large struct {
	ctx    context.Context
	g      *Guest
	handle int64
	before []byte // the piece before piece
	piece  []byte
	at     int64 // where piece begins
	last   bool  // nothing follows it
}

// ReadAt implements io.ReaderAt, as far as that goes forward.
func (f *large) ReadAt(to []byte, at int64) (int, error) {
	done := 0
	for done < len(to) {
		from, err := f.from(at + int64(done))
		if err != nil {
			return done, err
		}
		done += copy(to[done:], from)
	}
	return done, nil
}

// from gives bytes that begin there: some at least.
func (f *large) from(at int64) ([]byte, error) {
	for {
		switch end := f.at + int64(len(f.piece)); {
		case at >= largeMost:
			return nil, fmt.Errorf("it has more than the %d bytes that are read", largeMost)
		case at < f.at-int64(len(f.before)):
			return nil, fmt.Errorf("byte %d was read before, and is not read again", at)
		case at < f.at:
			return f.before[at-f.at+int64(len(f.before)):], nil
		case at < end:
			return f.piece[at-f.at:], nil
		case f.last:
			return nil, io.EOF
		default:
			if err := f.next(); err != nil {
				return nil, err
			}
		}
	}
}

// next reads the next piece.
func (f *large) next() error {
	p, err := ask(f.ctx, f.g, "guest-file-read", map[string]int64{"handle": f.handle, "count": largeBytes}, readPiece(largeBytes))
	if err != nil {
		return err
	}
	if len(p.content) == 0 && !p.last {
		return fmt.Errorf("it neither goes on nor ends")
	}
	f.at += int64(len(f.piece))
	f.before, f.piece, f.last = f.piece, p.content, p.last
	return nil
}
