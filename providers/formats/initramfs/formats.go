package initramfs

import (
	"bytes"
	"compress/bzip2"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
	"github.com/pierrec/lz4/v4"
	"github.com/ulikunitz/xz/lzma"
)

// dictionaryMost bounds what a decompressor keeps, in bytes: xz -9 asks for that much.
const dictionaryMost = 64 << 20

// format is a way of compressing. open gives the plain bytes, and must have taken of
// in what was compressed and no more when those are at their end; the next part
// begins there.
type format struct {
	name, magic string
	open        func(w *walk, in *input) (io.Reader, error)
}

// formats are those that the kernel knows (Linux lib/decompress.c).
var formats = []format{
	{"gzip", "\x1f\x8b", func(_ *walk, in *input) (io.Reader, error) {
		r, err := gzip.NewReader(in)
		if err == nil {
			r.Multistream(false)
		}
		return r, err
	}},
	{"zstd", "\x28\xb5", openZstd},
	{"xz", "\xfd\x37", openXZ},
	{"lz4", "\x02\x21", openLZ4},
	{"lzma", "\x5d\x00", func(_ *walk, in *input) (io.Reader, error) {
		return lzma.ReaderConfig{DictCap: dictionaryMost}.NewReader(in)
	}},
	// Its library goes on behind the end, where another stream may follow: then that
	// something else follows is an error, never a file that is not seen.
	{"bzip2", "BZ", func(_ *walk, in *input) (io.Reader, error) { return bzip2.NewReader(in), nil }},
	{"lzo", "\x89\x4c", nil},
}

// openZstd reads one frame. Where it ends is told by the sizes of its blocks
// (RFC 8878, 3.1.1), since its library reads on.
func openZstd(w *walk, in *input) (io.Reader, error) {
	size, err := zstdFrame(w)
	if err != nil {
		return nil, err
	}
	frame := newInput(w.ctx, io.NewSectionReader(w.r, w.at, size))
	in.read += size // in itself is not read again
	d, err := zstd.NewReader(readOnly{frame}, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
		zstd.WithDecoderMaxWindow(dictionaryMost), zstd.WithDecoderMaxMemory(dictionaryMost))
	if err != nil {
		return nil, err
	}
	return d.IOReadCloser(), nil
}

// blocksMost bounds the blocks of a frame, of which each has up to 128 KiB.
const blocksMost = 2 * unpackedMost / (128 << 10)

func zstdFrame(w *walk) (int64, error) {
	b := make([]byte, min(zstd.HeaderMaxSize, w.size-w.at))
	if _, err := w.r.ReadAt(b, w.at); err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	var h zstd.Header
	if err := h.Decode(b); err != nil {
		return 0, err
	}
	if h.Skippable {
		return 0, errors.New("a frame that is to be skipped")
	}
	end := int64(h.HeaderSize)
	for range blocksMost {
		block := make([]byte, 4)
		if _, err := w.r.ReadAt(block[:3], w.at+end); err != nil {
			return 0, unexpected(err)
		}
		word := binary.LittleEndian.Uint32(block)
		size := int64(word >> 3)
		if word>>1&3 == 1 { // one byte, repeated
			size = 1
		}
		if end += 3 + size; word&1 == 0 {
			continue
		}
		if h.HasCheckSum {
			end += 4
		}
		if end > w.size-w.at {
			return 0, io.ErrUnexpectedEOF
		}
		return end, nil
	}
	return 0, fmt.Errorf("more than %d blocks", blocksMost)
}

// lz4Block is how much a block of the legacy form holds at most, unpacked (LZ4 Frame
// Format, "Legacy frame"); the kernel reads no other form.
const (
	lz4Block = 8 << 20
	lz4Magic = "\x02\x21\x4c\x18"
)

func openLZ4(_ *walk, in *input) (io.Reader, error) {
	magic := make([]byte, 4)
	if _, err := io.ReadFull(readOnly{in}, magic); err != nil || string(magic) != lz4Magic {
		return nil, errors.New("not of its legacy form")
	}
	return &lz4Blocks{in: in}, nil
}

type lz4Blocks struct {
	in       *input
	from, to []byte
	rest     []byte // of to
}

// Read gives the blocks one by one; a size of none, or the end, ends it.
func (l *lz4Blocks) Read(p []byte) (int, error) {
	for len(l.rest) == 0 {
		if next, err := l.in.Peek(4); len(next) < 4 || len(bytes.Trim(next, "\x00")) == 0 {
			if err != nil && !errors.Is(err, io.EOF) {
				return 0, err
			}
			return 0, io.EOF
		}
		size := make([]byte, 4)
		if _, err := io.ReadFull(readOnly{l.in}, size); err != nil {
			return 0, unexpected(err)
		}
		if string(size) == lz4Magic {
			continue // another file behind it is one with it (kernel lib/decompress_unlz4.c)
		}
		n := int(binary.LittleEndian.Uint32(size))
		if n > lz4.CompressBlockBound(lz4Block) {
			return 0, fmt.Errorf("a block of %d bytes", n)
		}
		if l.to == nil {
			l.to, l.from = make([]byte, lz4Block), make([]byte, lz4.CompressBlockBound(lz4Block))
		}
		if _, err := io.ReadFull(readOnly{l.in}, l.from[:n]); err != nil {
			return 0, unexpected(err)
		}
		got, err := lz4.UncompressBlock(l.from[:n], l.to)
		if err != nil {
			return 0, err
		}
		l.rest = l.to[:got]
	}
	n := copy(p, l.rest)
	l.rest = l.rest[n:]
	return n, nil
}
