package drive

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/strict"
)

// Kept ends are one file: a line with the format, a line of JSON that says of
// which drive and where, the bytes, and the SHA-256 of all before.
const keptFormat = "lendkeep ends 1\n"

// keptMost bounds the file: both ends have 1 MiB each, and a mark some kilobytes.
const keptMost = 64 << 20

type keptHead struct {
	Serial      string     `json:"serial"`
	Namespace   int        `json:"namespace"`
	SizeBytes   uint64     `json:"size_bytes"`
	SectorBytes uint64     `json:"sector_bytes"`
	Pieces      []keptSpan `json:"pieces"`
}

type keptSpan struct {
	At    uint64 `json:"at"`
	Bytes uint64 `json:"bytes"`
}

func (ds Drives) keptPath(keep string) (string, error) {
	if !facts.KeepName(keep) || ds.Folder == "" {
		return "", fmt.Errorf("keep ends in folder %q under the name %q: not possible", ds.Folder, keep)
	}
	return filepath.Join(ds.Folder, keep+".ends"), nil
}

// writeKept keeps pieces of a drive. They are on the disk when it returns.
func (ds Drives) writeKept(keep string, d facts.Drive, list []piece) error {
	path, err := ds.keptPath(keep)
	if err != nil {
		return err
	}
	content := encodeKept(d, list)
	if len(content) > keptMost {
		return fmt.Errorf("keep ends: %d bytes are more than the %d that are read back", len(content), keptMost)
	}
	if err := files.Write(path, content, files.Private); err != nil {
		return fmt.Errorf("keep ends: %w", err)
	}
	return nil
}

// readKept gives what is kept under a name; nil when nothing is. What is of
// another drive, or not whole, is an error.
func (ds Drives) readKept(keep string, d facts.Drive) ([]piece, error) {
	path, err := ds.keptPath(keep)
	if err != nil {
		return nil, err
	}
	b, err := files.Read(path, keptMost)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read kept ends: %w", err)
	}
	list, err := decodeKept(b, d)
	if err != nil {
		return nil, fmt.Errorf("read kept ends %s: %w", path, err)
	}
	return list, nil
}

func encodeKept(d facts.Drive, list []piece) []byte {
	head := keptHead{d.Serial, d.Namespace, d.SizeBytes, d.SectorBytes, []keptSpan{}}
	for _, p := range list {
		head.Pieces = append(head.Pieces, keptSpan{p.at, uint64(len(p.content))})
	}
	line, err := json.Marshal(head)
	if err != nil {
		panic(err) // plain values
	}
	b := append([]byte(keptFormat), line...)
	b = append(b, '\n')
	for _, p := range list {
		b = append(b, p.content...)
	}
	sum := sha256.Sum256(b)
	return append(b, sum[:]...)
}

func decodeKept(b []byte, d facts.Drive) ([]piece, error) {
	if len(b) < len(keptFormat)+sha256.Size || !bytes.HasPrefix(b, []byte(keptFormat)) {
		return nil, errors.New("it is no file of kept ends")
	}
	body, sum := b[:len(b)-sha256.Size], b[len(b)-sha256.Size:]
	if want := sha256.Sum256(body); !bytes.Equal(sum, want[:]) {
		return nil, errors.New("its checksum is wrong")
	}
	line, rest, _ := bytes.Cut(body[len(keptFormat):], []byte("\n"))
	var head keptHead
	if err := strict.ReadWhole(line, len(line), &head); err != nil {
		return nil, err
	}
	if head.Serial != d.Serial || head.Namespace != d.Namespace || head.SizeBytes != d.SizeBytes || head.SectorBytes != d.SectorBytes {
		return nil, fmt.Errorf("it is of namespace %d of drive %s, of %d bytes", head.Namespace, head.Serial, head.SizeBytes)
	}
	var list []piece
	for _, s := range head.Pieces {
		if s.Bytes > uint64(len(rest)) || s.At > d.SizeBytes || s.Bytes > d.SizeBytes-s.At {
			return nil, errors.New("it says more than it holds")
		}
		list = append(list, piece{s.At, rest[:s.Bytes]})
		rest = rest[s.Bytes:]
	}
	if len(rest) > 0 || len(list) == 0 {
		return nil, errors.New("it holds something else than it says")
	}
	return list, nil
}
