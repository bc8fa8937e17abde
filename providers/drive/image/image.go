// Package image reads disk images of guests, raw and qcow2, with everything
// behind them in their chain of backing files, and says without reading any
// data which parts of the disk are zeroes. Start at Open.
package image

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"syscall"

	"lendkeep/providers/formats/qcow2"
)

// File is what is needed of a file of a chain. *os.File is one; where a File is
// an io.Seeker too, its holes are asked for by SEEK_DATA and SEEK_HOLE.
type File interface {
	io.ReaderAt
	io.Closer
	Stat() (fs.FileInfo, error)
}

// Image is a disk as a guest sees it. Its methods may be called from many
// goroutines at once; Close only after the others have returned.
type Image struct {
	top    layer
	size   int64
	chain  []link // the image itself first
	tables tables
	marks  marks
}

// link is one file of a chain.
type link struct {
	path   string
	format string
	file   File
	at     fs.FileInfo // as it was when it was opened
}

// marks are what qcow2 headers say of how the images were left.
type marks struct{ dirty, corrupt bool }

// layer is one file of a chain, seen as a disk with all that is behind it.
type layer interface {
	sizeBytes() int64
	// piece says what the disk holds at an offset below its size, for at least
	// one byte and at most max. With holes, files are asked for theirs.
	piece(offset, max int64, holes bool) (piece, error)
}

// piece is a stretch of a disk that is found in one way.
type piece struct {
	kind   kind
	length int64
	file   File        // of data and compressed
	host   int64       // data: where in the file it starts
	from   *qcow2Layer // compressed
	entry  uint64      // compressed: the entry of the L2 table
	inside int64       // compressed: where in the cluster the piece starts
}

type kind int

const (
	unallocated kind = iota // only within one layer
	zero
	data
	compressed
)

// sector is what QEMU rounds the size of every disk up to.
const sector = 512

// maxChain is how many files a chain may have. QEMU gives up at 200; snapshots
// made by hand or by a backup do not come near either.
const maxChain = 32

// Open opens an image and its chain. The format is told by who knows the image,
// that of a backing file by the header that names it; none is ever guessed,
// since what a guest writes into a raw disk could pass for a header and name any
// file of the host. open is called for every path of the chain, names in headers
// being relative to the folder of the image that has them.
func Open(path, format string, open func(string) (File, error)) (*Image, error) {
	i := &Image{}
	top, err := i.open(path, format, open)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open image %s: %w", path, err), i.Close())
	}
	i.top, i.size = top, top.sizeBytes()
	return i, nil
}

// open opens one file and what is behind it.
func (i *Image) open(path, format string, open func(string) (File, error)) (layer, error) {
	if len(i.chain) == maxChain {
		return nil, fmt.Errorf("its chain of backing files is longer than %d: join some with qemu-img commit", maxChain)
	}
	file, err := open(path)
	if err != nil {
		return nil, err
	}
	at, err := file.Stat()
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	for _, l := range i.chain {
		if filepath.Clean(l.path) == filepath.Clean(path) || sameFile(l.at, at) {
			return nil, errors.Join(fmt.Errorf("%s is behind itself in the chain of backing files", path), file.Close())
		}
	}
	i.chain = append(i.chain, link{path, format, file, at})
	if !at.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file", path)
	}
	switch format {
	case "raw":
		return newRaw(file, at.Size()), nil
	case "qcow2":
		return i.openQcow2(path, file, at.Size(), open)
	default:
		return nil, fmt.Errorf("%s is of the format %q: only raw and qcow2 can be read; qemu-img convert makes one of it", path, format)
	}
}

// openQcow2 opens a qcow2 file and the chain behind it.
func (i *Image) openQcow2(path string, file File, size int64, open func(string) (File, error)) (layer, error) {
	h, err := qcow2.Read(file, size)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	i.marks.dirty = i.marks.dirty || h.Dirty
	i.marks.corrupt = i.marks.corrupt || h.Corrupt
	q := &qcow2Layer{Header: h, path: path, file: file, end: size, tables: &i.tables, number: len(i.chain)}
	if h.Backing == "" {
		return q, nil
	}
	name, err := backingPath(path, h)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if q.backing, err = i.open(name, h.BackingFormat, open); err != nil {
		return nil, fmt.Errorf("backing file of %s: %w", path, err)
	}
	return q, nil
}

// backingPath gives the path of the backing file that a header names.
func backingPath(path string, h qcow2.Header) (string, error) {
	before, _, _ := strings.Cut(h.Backing, "/")
	switch {
	case strings.Contains(before, ":"): // QEMU's path_has_protocol
		return "", fmt.Errorf("its backing file %q is named by a protocol: only plain paths can be read", h.Backing)
	case h.BackingFormat == "":
		return "", fmt.Errorf("it does not say of which format its backing file %q is: qemu-img rebase -u -F FORMAT writes that into it", h.Backing)
	case filepath.IsAbs(h.Backing):
		return h.Backing, nil
	default:
		return filepath.Join(filepath.Dir(path), h.Backing), nil
	}
}

// Format is "raw" or "qcow2", as Open was told.
func (i *Image) Format() string { return i.chain[0].format }

// SizeBytes is the size of the disk, a multiple of 512.
func (i *Image) SizeBytes() uint64 { return uint64(i.size) }

// Dirty says that a qcow2 file of the chain is marked as not closed by its last
// user. What it holds can be read all the same.
func (i *Image) Dirty() bool { return i.marks.dirty }

// Corrupt says that a qcow2 file of the chain is marked as having damaged
// tables (qemu-img check), so that what is read may be wrong.
func (i *Image) Corrupt() bool { return i.marks.corrupt }

// Link is one file of a chain as it is now.
type Link struct {
	Path      string
	Format    string
	SizeBytes uint64 // of the file
	Stamp     string // changes whenever it is written, or another is in its place; empty: it cannot be looked at
	File      File   // open for reading
}

// Chain gives the files of the chain, the image itself first.
func (i *Image) Chain() []Link {
	var list []Link
	for _, l := range i.chain {
		size, stamp := l.stamp()
		list = append(list, Link{l.path, l.format, size, stamp, l.file})
	}
	return list
}

// Stamp is a digest over the stamps of every file of the chain, as they are now.
// Empty: one of them cannot be looked at.
func (i *Image) Stamp() string {
	sum := sha256.New()
	for _, l := range i.Chain() {
		if l.Stamp == "" {
			return ""
		}
		fmt.Fprintln(sum, l.Stamp)
	}
	return fmt.Sprintf("%x", sum.Sum(nil)[:16])
}

// stamp is a digest over size, time of the last write, device and inode. The
// time of the last change of the inode is not in it: libvirt gives a guest's
// images to QEMU at every start and takes them back at its end.
func (l link) stamp() (sizeBytes uint64, stamp string) {
	now, err := l.file.Stat()
	if err != nil {
		return 0, ""
	}
	var device, inode uint64
	if stat, ok := now.Sys().(*syscall.Stat_t); ok {
		device, inode = stat.Dev, stat.Ino
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %d %d %d\n", now.Size(), now.ModTime().UnixNano(), device, inode))
	return uint64(now.Size()), fmt.Sprintf("%x", sum[:16])
}

// Close closes every file of the chain.
func (i *Image) Close() error {
	var all []error
	for _, l := range i.chain {
		all = append(all, l.file.Close())
	}
	return errors.Join(all...)
}

// ReadAt reads from the disk; behind its end there is io.EOF.
func (i *Image) ReadAt(p []byte, offset int64) (int, error) {
	if offset < 0 {
		return 0, errors.New("read image: negative offset")
	}
	n := 0
	for n < len(p) {
		if offset >= i.size {
			return n, io.EOF
		}
		found, err := i.top.piece(offset, min(int64(len(p)-n), i.size-offset), false)
		if err == nil {
			err = found.read(p[n : n+int(found.length)])
		}
		if err != nil {
			return n, fmt.Errorf("read image %s at byte %d of the disk: %w", i.chain[0].path, offset, err)
		}
		n += int(found.length)
		offset += found.length
	}
	return n, nil
}

// read fills p, which is as long as the piece.
func (p piece) read(into []byte) error {
	switch p.kind {
	case data:
		return readPadded(p.file, into, p.host)
	case compressed:
		return p.from.decompress(into, p.entry, p.inside)
	default:
		clear(into)
		return nil
	}
}

// readPadded reads from a file; what is behind its end are zeroes, as QEMU has
// it: the last cluster of a file may be cut short.
func readPadded(file File, into []byte, at int64) error {
	n, err := file.ReadAt(into, at)
	if errors.Is(err, io.EOF) {
		clear(into[n:])
		return nil
	}
	return err
}

// DataBytes is how much of the disk is not known to be zeroes.
func (i *Image) DataBytes(ctx context.Context) (uint64, error) {
	var sum uint64
	err := i.Extents(ctx, func(e Extent) error {
		if !e.Zero {
			sum += uint64(e.Length)
		}
		return nil
	})
	return sum, err
}

// sameFile tells whether two files are one by device and inode.
func sameFile(a, b fs.FileInfo) bool {
	one, ok := a.Sys().(*syscall.Stat_t)
	other, too := b.Sys().(*syscall.Stat_t)
	return ok && too && one.Dev == other.Dev && one.Ino == other.Ino
}
