package image

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"runtime"

	"github.com/klauspost/compress/flate"
	"github.com/klauspost/compress/zstd"
)

// unpacker undoes compression. One takes up to some MiB of memory, so that
// there are no more of them than processors can use, and they are used again.
type unpacker struct {
	packed []byte
	plain  []byte
	source bytes.Reader
	flate  io.ReadCloser
	zstd   *zstd.Decoder
}

// unpackers holds those not in use; nil is one that was never needed.
var unpackers = func() chan *unpacker {
	most := min(runtime.NumCPU(), 8)
	all := make(chan *unpacker, most)
	for range most {
		all <- nil
	}
	return all
}()

// maxWindow is the most memory that one zstd frame may ask for. QEMU compresses
// single clusters, of 2 MiB at most, so that no frame looks back further.
const maxWindow = 4 << 20

// decompress fills into from a compressed cluster, starting inside it.
func (q *qcow2Layer) decompress(into []byte, entry uint64, inside int64) error {
	at, length := q.packed(entry)
	if at >= q.end || length <= 0 {
		return fmt.Errorf("%s: its L2 table is damaged: a compressed cluster at byte %d", q.path, at)
	}
	u := <-unpackers
	if u == nil {
		u = &unpacker{}
	}
	defer func() { unpackers <- u }()
	u.packed = sized(u.packed, min(length, q.end-at))
	if _, err := q.file.ReadAt(u.packed, at); err != nil {
		return err
	}
	u.source.Reset(u.packed)
	from, err := u.start(q.Zstd)
	if err != nil {
		return err
	}
	if int64(len(into)) == q.Cluster() {
		_, err = io.ReadFull(from, into)
	} else {
		u.plain = sized(u.plain, inside+int64(len(into)))
		_, err = io.ReadFull(from, u.plain)
		copy(into, u.plain[inside:])
	}
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return fmt.Errorf("%s: decompress the cluster at byte %d: %w", q.path, at, err)
	}
	return nil
}

// packed tells where a compressed cluster is and how long at most: its last
// sector may hold the beginning of another one.
func (q *qcow2Layer) packed(entry uint64) (at, length int64) {
	shift := 62 - (q.ClusterBits - 8)
	at = int64(entry & (1<<shift - 1))
	sectors := int64(entry >> shift & (1<<(q.ClusterBits-8) - 1))
	return at, (sectors+1)*sector - at%sector
}

// start makes ready to read what u.source has.
func (u *unpacker) start(isZstd bool) (io.Reader, error) {
	var err error
	switch {
	case isZstd && u.zstd == nil:
		u.zstd, err = zstd.NewReader(&u.source, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(maxWindow))
		return u.zstd, err
	case isZstd:
		return u.zstd, u.zstd.Reset(&u.source)
	case u.flate == nil:
		u.flate = flate.NewReader(&u.source)
		return u.flate, nil
	default:
		return u.flate, u.flate.(flate.Resetter).Reset(&u.source, nil)
	}
}

// sized gives a buffer of that length, the old one if it is large enough.
func sized(old []byte, length int64) []byte {
	if int64(cap(old)) < length {
		return make([]byte, length)
	}
	return old[:length]
}
