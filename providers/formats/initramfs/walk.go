// Package initramfs lists what a Linux kernel finds in its initramfs: several cpio
// archives one behind another, each plain or compressed. Start at Walk.
package initramfs

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
)

const (
	// sizeMost and unpackedMost bound an initramfs, in bytes; those of distributions
	// have up to 150 MiB, and 500 MiB unpacked (common practice).
	sizeMost     = 512 << 20
	unpackedMost = 1 << 30
)

// File is one entry of an archive.
type File struct {
	Name  string // as it stands there: "usr/lib/modules/6.1.0-18-amd64/modules.builtin"
	Mode  uint32 // as stat(2) has it
	Bytes int64
	io.Reader
}

// Walk calls see for every entry, until that returns fs.SkipAll. It ends without an
// error only where everything was read and every archive had its trailer: whoever looks
// for a file in vain may then say that it is not there.
func Walk(ctx context.Context, r io.ReaderAt, size int64, see func(File) error) error {
	if size > sizeMost {
		return fmt.Errorf("it has %d bytes, more than is read", size)
	}
	w := &walk{ctx: ctx, r: r, size: size, see: see}
	err := w.all()
	if errors.Is(err, fs.SkipAll) {
		return nil
	}
	return err
}

// walk is one under way.
type walk struct {
	ctx      context.Context
	r        io.ReaderAt
	size     int64
	at       int64 // byte of the file at which the next part begins
	see      func(File) error
	unpacked int64
	archives int // that had their trailer
}

// all goes through the parts as the kernel does (Linux init/initramfs.c,
// unpack_to_rootfs): zeroes are skipped, a plain archive begins at a multiple of four,
// and anything else must be compressed.
func (w *walk) all() error {
	for {
		in := w.input(w.size - w.at)
		zeroes, err := in.zeroes()
		w.at += zeroes
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if err := w.part(in); err != nil {
			return fmt.Errorf("part at byte %d: %w", w.at, err)
		}
		w.at += in.read - zeroes
	}
	if w.archives == 0 {
		return errors.New("no archive is in it")
	}
	return nil
}

// part reads what begins at w.at, where in is.
func (w *walk) part(in *input) error {
	magic, _ := in.Peek(6) // shorter: none that is known
	if len(magic) > 0 && magic[0] == '0' && w.at%4 == 0 {
		return w.archive(in)
	}
	for _, f := range formats {
		if len(magic) < 4 || string(magic[:2]) != f.magic {
			continue
		}
		if f.open == nil {
			return fmt.Errorf("it is compressed by %s, which is not read", f.name)
		}
		if err := w.compressed(in, f); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
		return nil
	}
	return errors.New("neither an archive nor compressed in a way that is known")
}

// compressed reads the archives that a compressed part holds. What it holds is read
// to its own end, so that its checksums are compared.
func (w *walk) compressed(in *input, f format) error {
	plain, err := f.open(w, in)
	if err != nil {
		return err
	}
	if c, ok := plain.(io.Closer); ok {
		defer c.Close() // it only gives memory back
	}
	inside := newInput(w.ctx, &unpacking{w, plain})
	for {
		_, err := inside.zeroes()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		inside.read = 0
		if err := w.archive(inside); err != nil {
			return err
		}
	}
}

// unpacking counts what is unpacked.
type unpacking struct {
	w     *walk
	plain io.Reader
}

func (u *unpacking) Read(p []byte) (int, error) {
	n, err := u.plain.Read(p)
	if u.w.unpacked += int64(n); u.w.unpacked > unpackedMost {
		return 0, fmt.Errorf("it has more than %d bytes unpacked", unpackedMost)
	}
	return n, err
}

// input reads byte by byte, no further than it is asked to, and counts.
type input struct {
	*bufio.Reader
	read int64
}

// cancelled reads until the context ends.
type cancelled struct {
	ctx context.Context
	r   io.Reader
}

func (c cancelled) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}

func newInput(ctx context.Context, r io.Reader) *input {
	return &input{Reader: bufio.NewReaderSize(cancelled{ctx, r}, 64<<10)}
}

// input gives the next bytes of the file.
func (w *walk) input(bytes int64) *input {
	return newInput(w.ctx, io.NewSectionReader(w.r, w.at, bytes))
}

func (in *input) Read(p []byte) (int, error) {
	n, err := in.Reader.Read(p)
	in.read += int64(n)
	return n, err
}

func (in *input) ReadByte() (byte, error) {
	b, err := in.Reader.ReadByte()
	if err == nil {
		in.read++
	}
	return b, err
}

// skip passes over bytes that must be there.
func (in *input) skip(n int64) error {
	_, err := io.CopyN(io.Discard, readOnly{in}, n)
	return unexpected(err)
}

// readOnly hides what bufio would do behind the counter's back.
type readOnly struct{ io.Reader }

// zeroes passes over them and tells how many they were; io.EOF is the end.
func (in *input) zeroes() (int64, error) {
	for n := int64(0); ; n++ {
		next, err := in.Peek(1)
		if err != nil {
			return n, err
		}
		if next[0] != 0 {
			return n, nil
		}
		if _, err := in.ReadByte(); err != nil {
			return n, err
		}
	}
}

// unexpected is the error of an end at which something was still to come.
func unexpected(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}
