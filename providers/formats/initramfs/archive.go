package initramfs

import (
	"errors"
	"fmt"
	"io"
	"strconv"
)

// The "new ASCII" form of cpio, which alone the kernel reads (Linux
// Documentation/driver-api/early-userspace/buffer-format.rst).
const (
	headerBytes = 110
	nameMost    = 4096 // PATH_MAX
	trailer     = "TRAILER!!!"
)

// archive reads one, up to its trailer. A reader of archives that takes an end
// without a trailer for the end would take a truncated initramfs for a whole one.
func (w *walk) archive(in *input) error {
	start := in.read
	for {
		if err := in.skip((4 - (in.read-start)%4) % 4); err != nil {
			return err
		}
		f, err := header(in)
		if err != nil {
			return err
		}
		if f.Name == trailer {
			w.archives++
			return nil
		}
		if err := in.skip((4 - (in.read-start)%4) % 4); err != nil {
			return err
		}
		inside := &content{in, f.Bytes}
		f.Reader = inside
		if err := w.see(f); err != nil {
			return err
		}
		if err := in.skip(inside.left); err != nil {
			return fmt.Errorf("within %q: %w", f.Name, err)
		}
	}
}

// content reads a file's bytes; that they end too early is an error.
type content struct {
	in   *input
	left int64
}

func (c *content) Read(p []byte) (int, error) {
	if c.left == 0 {
		return 0, io.EOF
	}
	n, err := c.in.Read(p[:min(int64(len(p)), c.left)])
	c.left -= int64(n)
	return n, unexpected(err)
}

// header reads what stands before a file, its name included.
func header(in *input) (File, error) {
	b := make([]byte, headerBytes)
	if _, err := io.ReadFull(readOnly{in}, b); err != nil {
		return File{}, fmt.Errorf("it ends without a trailer: %w", unexpected(err))
	}
	if magic := string(b[:6]); magic != "070701" && magic != "070702" {
		return File{}, errors.New("no header of an archive where one must be")
	}
	mode, err1 := field(b, 1)
	size, err2 := field(b, 6)
	length, err3 := field(b, 11)
	if err := errors.Join(err1, err2, err3); err != nil {
		return File{}, err
	}
	if length == 0 || length > nameMost {
		return File{}, fmt.Errorf("a name of %d bytes", length)
	}
	name := make([]byte, length)
	if _, err := io.ReadFull(readOnly{in}, name); err != nil {
		return File{}, unexpected(err)
	}
	if name[length-1] != 0 {
		return File{}, errors.New("a name without an end")
	}
	return File{Name: string(name[:length-1]), Mode: uint32(mode), Bytes: int64(size)}, nil
}

// field reads one of the numbers of eight hexadecimal digits that follow the magic.
func field(b []byte, n int) (uint64, error) {
	return strconv.ParseUint(string(b[6+8*n:14+8*n]), 16, 32)
}
