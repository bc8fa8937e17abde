package archive

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/tools/txtar"
)

// Write writes an archive of these entries, by path. The same entries give the same
// bytes.
func Write(w io.Writer, entries map[string]Entry) error {
	text := &txtar.Archive{}
	for _, name := range slices.Sorted(maps.Keys(entries)) {
		e := entries[name]
		file, err := entry(name, e)
		if err != nil {
			return fmt.Errorf("write archive: %w", err)
		}
		if !e.Mode.IsDir() || e.Reason != "" || !holdsAny(entries, name) {
			text.Files = append(text.Files, file)
		}
	}
	text.Files = append(text.Files, txtar.File{Name: endMark})
	content := txtar.Format(text)
	if _, err := Parse(content); err != nil {
		return fmt.Errorf("write archive: it would not be readable: %w", err)
	}
	if _, err := w.Write(content); err != nil {
		return fmt.Errorf("write archive: %w", err)
	}
	return nil
}

// holdsAny tells whether anything is kept below a directory, which then needs
// no entry of its own.
func holdsAny(entries map[string]Entry, dir string) bool {
	for name := range entries {
		if dir == "." || strings.HasPrefix(name, dir+"/") {
			return true
		}
	}
	return false
}

// entry gives the text of one entry.
func entry(name string, e Entry) (txtar.File, error) {
	if err := speakable(name, e); err != nil {
		return txtar.File{}, err
	}
	switch {
	case e.Reason != "":
		return txtar.File{Name: name + unreadableMark, Data: []byte(strings.ReplaceAll(e.Reason, "\n", " ") + "\n")}, nil
	case e.Mode.IsDir():
		return txtar.File{Name: name + "/"}, nil
	case e.Mode.Type() == fs.ModeSymlink:
		return txtar.File{Name: name + linkMark + e.Target}, nil
	case e.Mode.Type() == fs.ModeDevice:
		return txtar.File{Name: name + blockMark}, nil
	case isPlain(e.Content):
		return txtar.File{Name: name, Data: e.Content}, nil
	default:
		return txtar.File{Name: name + hexMark, Data: formatHex(e.Content)}, nil
	}
}

// speakable refuses the few paths that an entry's name cannot say.
func speakable(name string, e Entry) error {
	ambiguous := strings.Contains(name, linkMark) || strings.HasSuffix(name, ")") ||
		strings.ContainsAny(name+e.Target, "\n\r")
	if ambiguous || cmp.Or(strings.TrimSpace(name), name) != name || strings.TrimSpace(e.Target) != e.Target {
		return fmt.Errorf("path %q: an archive cannot hold it", name)
	}
	return nil
}

// isPlain tells whether content can stand in an archive as it is.
func isPlain(content []byte) bool {
	if len(content) == 0 {
		return true
	}
	return content[len(content)-1] == '\n' && utf8.Valid(content) &&
		bytes.IndexByte(content, 0) < 0 && bytes.IndexByte(content, '\r') < 0 &&
		looksLikeMark(content) == ""
}
