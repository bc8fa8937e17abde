package initramfs

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"hash/crc64"
	"io"

	"github.com/ulikunitz/xz/lzma"
)

// xzBlocks reads the blocks of one stream of ".xz" (The .xz File Format 1.0.4). The
// library's own reader of streams takes as much memory as a block asks for, up to
// 4 GiB; its reader of what blocks hold takes a bound.
type xzBlocks struct {
	in     *input
	check  byte
	block  *lzma.Reader2 // nil: the next begins, or the stream is at its end
	sum    hash.Hash
	start  int64 // byte at which the data of the block begins
	blocks int
}

// xzSums are the kinds of check (2.1.1.2) that the kernel and xz itself write.
var xzSums = map[byte]func() hash.Hash{
	0: nil,
	1: func() hash.Hash { return crc32.NewIEEE() },
	4: func() hash.Hash { return crc64.New(crc64.MakeTable(crc64.ECMA)) },
}

func openXZ(_ *walk, in *input) (io.Reader, error) {
	b := make([]byte, 12)
	if _, err := io.ReadFull(readOnly{in}, b); err != nil {
		return nil, unexpected(err)
	}
	if string(b[:6]) != "\xfd7zXZ\x00" || b[6] != 0 || crc32.ChecksumIEEE(b[6:8]) != binary.LittleEndian.Uint32(b[8:]) {
		return nil, errors.New("damaged header")
	}
	if _, known := xzSums[b[7]]; !known {
		return nil, fmt.Errorf("check of kind %d", b[7])
	}
	return &xzBlocks{in: in, check: b[7]}, nil
}

func (x *xzBlocks) Read(p []byte) (int, error) {
	for {
		if x.block == nil {
			if err := x.next(); err != nil {
				return 0, err // io.EOF: the end of the stream
			}
		}
		n, err := x.block.Read(p)
		if x.sum != nil {
			x.sum.Write(p[:n])
		}
		if errors.Is(err, io.EOF) {
			err = x.end()
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// next reads the header of a block (3.1), or what stands behind the last.
func (x *xzBlocks) next() error {
	first, err := x.in.ReadByte()
	if err != nil {
		return unexpected(err)
	}
	if first == 0 {
		if err := x.index(); err != nil {
			return err
		}
		return io.EOF
	}
	b := make([]byte, 4*(int(first)+1))
	b[0] = first
	if _, err := io.ReadFull(readOnly{x.in}, b[1:]); err != nil {
		return unexpected(err)
	}
	body := b[:len(b)-4]
	if crc32.ChecksumIEEE(body) != binary.LittleEndian.Uint32(b[len(b)-4:]) {
		return errors.New("damaged header of a block")
	}
	dictionary, err := xzDictionary(body)
	if err != nil {
		return err
	}
	x.sum, x.start = nil, x.in.read
	if of := xzSums[x.check]; of != nil {
		x.sum = of()
	}
	x.blocks++
	x.block, err = lzma.Reader2Config{DictCap: dictionary}.NewReader2(readOnly{x.in})
	return unexpected(err)
}

// xzDictionary gives the size of a block's dictionary; its one filter must be LZMA2.
func xzDictionary(body []byte) (int, error) {
	flags, rest := body[1], body[2:]
	for _, bit := range []byte{0x40, 0x80} { // sizes, packed and not
		if flags&bit == 0 {
			continue
		}
		_, n := binary.Uvarint(rest)
		if n <= 0 {
			return 0, errors.New("damaged header of a block")
		}
		rest = rest[n:]
	}
	if flags&0x3f != 0 || len(rest) < 3 || rest[0] != 0x21 || rest[1] != 1 {
		return 0, errors.New("a filter that is not read")
	}
	bits := int(rest[2])
	if bits > 40 {
		return 0, errors.New("damaged header of a block")
	}
	if size := int64(2|bits&1) << (bits/2 + 11); size <= dictionaryMost { // 5.3.1
		return int(size), nil
	}
	return 0, fmt.Errorf("a dictionary of more than %d bytes", dictionaryMost)
}

// end reads what stands behind the data of a block: padding, and its sum, which is
// little endian here.
func (x *xzBlocks) end() error {
	if err := x.in.skip((4 - (x.in.read-x.start)%4) % 4); err != nil {
		return err
	}
	x.block = nil
	if x.sum == nil {
		return nil
	}
	want := make([]byte, x.sum.Size())
	if _, err := io.ReadFull(readOnly{x.in}, want); err != nil {
		return unexpected(err)
	}
	got := x.sum.Sum(nil) // big endian
	for i := range got {
		if got[i] != want[len(want)-1-i] {
			return errors.New("a checksum is wrong")
		}
	}
	return nil
}

// index passes over the index and the footer (4 and 2.1.2), behind which the next part
// begins.
func (x *xzBlocks) index() error {
	start := x.in.read - 1
	records, err := binary.ReadUvarint(x.in)
	if err != nil || records != uint64(x.blocks) {
		return errors.New("damaged index")
	}
	for range 2 * records {
		if _, err := binary.ReadUvarint(x.in); err != nil {
			return unexpected(err)
		}
	}
	if err := x.in.skip((4-(x.in.read-start)%4)%4 + 4); err != nil {
		return err
	}
	footer := make([]byte, 12)
	if _, err := io.ReadFull(readOnly{x.in}, footer); err != nil {
		return unexpected(err)
	}
	if !bytes.Equal(footer[10:], []byte("YZ")) {
		return errors.New("damaged footer")
	}
	return nil
}
