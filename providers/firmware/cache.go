package firmware

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/strict"
)

// readerRevision belongs to what the reader concludes. Raise it with every
// change after which an image may get other answers: older entries are then
// ignored.
const readerRevision = 3

// cacheEntry is one file of the cache: <sha256 of the image>.json.
type cacheEntry struct {
	Reader int    `json:"reader"`
	Report Report `json:"report"`
}

const entryMost = 1 << 20 // bytes of an entry

// Open reads the image at a path below a root directory; a leading slash is
// allowed.
func Open(root fs.FS, name string) (*Image, error) {
	content, err := readImageFile(root, name)
	if err != nil {
		return nil, err
	}
	return Read(content), nil
}

// Inspect reports on the image at a path below a root directory, out of
// cacheDir when an image of the same content was seen before. The cache only
// saves time: one that is damaged or cannot be written changes no answer. An
// empty cacheDir means no cache.
func Inspect(root fs.FS, name, cacheDir string) (Report, error) {
	content, err := readImageFile(root, name)
	if err != nil {
		return Report{}, err
	}
	if cacheDir == "" {
		return Read(content).Report(), nil
	}
	key := hashOf(content)
	entry := filepath.Join(cacheDir, key+".json")
	if report, ok := cached(entry, key, int64(len(content))); ok {
		return report, nil
	}
	report := Read(content).Report()
	keep(entry, report)
	return report, nil
}

func readImageFile(root fs.FS, name string) ([]byte, error) {
	file, err := root.Open(strings.TrimPrefix(name, "/"))
	if err != nil {
		return nil, fmt.Errorf("open firmware image: %w", err)
	}
	defer file.Close()
	about, err := file.Stat()
	if err != nil {
		return nil, fmt.Errorf("open firmware image: %w", err)
	}
	if !about.Mode().IsRegular() {
		return nil, fmt.Errorf("open firmware image %s: not a file", name)
	}
	return readAll(file, about.Size())
}

// cached reads an entry if it is whole and speaks of this image and of every
// part that is looked for today.
func cached(entry, key string, size int64) (Report, bool) {
	content, err := files.Read(entry, entryMost)
	if err != nil {
		return Report{}, false
	}
	var kept cacheEntry
	if err := strict.ReadWhole(content, entryMost, &kept); err != nil {
		return Report{}, false
	}
	parts := Parts()
	if kept.Reader != readerRevision || kept.Report.SHA256 != key || kept.Report.Bytes != size ||
		len(kept.Report.Answers) != len(parts) {
		return Report{}, false
	}
	for i, part := range parts {
		if kept.Report.Answers[i].Part != part.Name {
			return Report{}, false
		}
	}
	return kept.Report, true
}

// keep writes an entry so that a reader never sees half of it.
func keep(entry string, report Report) {
	content, err := json.Marshal(cacheEntry{Reader: readerRevision, Report: report})
	if err != nil {
		panic(err) // plain values always encode
	}
	if os.MkdirAll(filepath.Dir(entry), 0o755) != nil {
		return
	}
	_ = files.Write(entry, append(content, '\n'), 0o644) // see Inspect: no answer depends on it
}
