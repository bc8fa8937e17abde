// Package archive keeps the root directory of a host as one text file, and records
// what a survey reads of one. Its format: testdata/hosts/README.md. Start at Open and
// Record.
package archive

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"golang.org/x/tools/txtar"

	"lendkeep/providers/files"
)

// Limits of an archive. A real host needs a few thousand entries and less than a
// megabyte; firmware images come on top, with 40 bytes of text for 16 of theirs.
const (
	maxArchiveBytes = 256 << 20
	maxFileBytes    = 16 << 20
	maxEntries      = 200_000
)

// endMark is the name of the last entry. Without it the archive was cut, and
// what was cut off would look as if the host did not have it.
const endMark = "(end)"

// What stands behind a path in an entry's name.
const (
	hexMark        = " (hex)"
	blockMark      = " (block)"
	unreadableMark = " (unreadable)"
	linkMark       = " -> "
)

// Archive is the root directory of a host kept as one text file: a read-only
// file system with symbolic links.
type Archive struct {
	nodes map[string]*node
}

// Entry is one file, directory, link or block device node.
type Entry struct {
	Mode    fs.FileMode
	Content []byte
	Target  string // of a link
	Reason  string // why a file could not be read
}

type node struct {
	Entry
	name     string // last element
	children []fs.DirEntry
}

// Entries gives what stands in the archive by itself, by path: all but directories
// with something in them. Write makes an archive of such.
func (a *Archive) Entries() map[string]Entry {
	list := map[string]Entry{}
	for name, n := range a.nodes {
		if len(n.children) == 0 {
			list[name] = n.Entry
		}
	}
	return list
}

// Open reads an archive from a file of this machine.
func Open(file string) (*Archive, error) {
	content, err := files.Read(file, maxArchiveBytes)
	if err != nil {
		return nil, fmt.Errorf("open archive: %w", err)
	}
	archive, err := Parse(content)
	if err != nil {
		return nil, fmt.Errorf("open archive %s: %w", file, err)
	}
	return archive, nil
}

// Parse reads an archive strictly: a path given twice or outside the
// root, a file below a file, hexadecimal text out of its form, a line that only
// looks like a mark, or a missing end is an error.
func Parse(content []byte) (*Archive, error) {
	if len(content) > maxArchiveBytes {
		return nil, fmt.Errorf("it has %d bytes, at most %d are read", len(content), maxArchiveBytes)
	}
	text := txtar.Parse(content)
	if n := len(text.Files); n == 0 || text.Files[n-1].Name != endMark {
		return nil, fmt.Errorf("its last entry is not %s: it was cut", endMark)
	}
	if len(text.Files) > maxEntries {
		return nil, fmt.Errorf("it has %d entries, at most %d are read", len(text.Files), maxEntries)
	}
	archive := newArchive()
	last := len(text.Files) - 1
	for _, file := range text.Files[:last] {
		if err := archive.addEntry(file); err != nil {
			return nil, fmt.Errorf("entry %q: %w", file.Name, err)
		}
	}
	if len(text.Files[last].Data) > 0 {
		return nil, fmt.Errorf("something follows %s", endMark)
	}
	archive.sortChildren()
	return archive, nil
}

func newArchive() *Archive {
	return &Archive{nodes: map[string]*node{".": {name: ".", Entry: Entry{Mode: fs.ModeDir | 0o555}}}}
}

// addEntry adds what one entry of the text stands for.
func (a *Archive) addEntry(file txtar.File) error {
	if name, target, found := strings.Cut(file.Name, linkMark); found {
		return a.addLink(name, target, file.Data)
	}
	if name, found := strings.CutSuffix(file.Name, "/"); found {
		return a.addEmpty(name, fs.ModeDir|0o555, file.Data)
	}
	if name, found := strings.CutSuffix(file.Name, blockMark); found {
		return a.addEmpty(name, fs.ModeDevice|0o440, file.Data)
	}
	if name, found := strings.CutSuffix(file.Name, unreadableMark); found {
		return a.addUnreadable(name, file.Data)
	}
	if name, found := strings.CutSuffix(file.Name, hexMark); found {
		content, err := parseHex(file.Data)
		if err != nil {
			return err
		}
		return a.add(name, &node{Entry: Entry{Mode: 0o444, Content: content}})
	}
	return a.addText(file)
}

// addText adds a file that stands in the archive as it is.
func (a *Archive) addText(file txtar.File) error {
	if strings.HasSuffix(file.Name, ")") {
		return errors.New("what it is, in brackets, is not known")
	}
	if line := looksLikeMark(file.Data); line != "" {
		return fmt.Errorf("line %q looks like a mark but is none", line)
	}
	if len(file.Data) > maxFileBytes {
		return fmt.Errorf("it has %d bytes, at most %d are read", len(file.Data), maxFileBytes)
	}
	return a.add(file.Name, &node{Entry: Entry{Mode: 0o444, Content: file.Data}})
}

// addEmpty adds a directory or device node, of which there is only the fact
// that it is there.
func (a *Archive) addEmpty(name string, mode fs.FileMode, content []byte) error {
	if err := wantEmpty(content); err != nil {
		return err
	}
	return a.add(name, &node{Entry: Entry{Mode: mode}})
}

// addUnreadable adds a file whose reading fails as it did on the host.
func (a *Archive) addUnreadable(name string, content []byte) error {
	reason := strings.TrimSuffix(string(content), "\n")
	if reason == "" || strings.Contains(reason, "\n") {
		return errors.New("want the reason in one line")
	}
	return a.add(name, &node{Entry: Entry{Mode: 0o000, Reason: reason}})
}

func (a *Archive) addLink(name, target string, content []byte) error {
	if target == "" || strings.ContainsRune(target, 0) {
		return errors.New("want a target after the arrow")
	}
	if err := wantEmpty(content); err != nil {
		return err
	}
	return a.add(name, &node{Entry: Entry{Mode: fs.ModeSymlink | 0o777, Target: target}})
}

func wantEmpty(content []byte) error {
	if len(bytes.TrimSpace(content)) > 0 {
		return errors.New("want no content")
	}
	return nil
}

// add puts a node in its place after looking that the place is sound and free.
func (a *Archive) add(name string, n *node) error {
	if !fs.ValidPath(name) || name == "." {
		return errors.New("want a path below the root, without .. and double slashes")
	}
	if len(name) > 4096 || strings.ContainsRune(name, 0) {
		return errors.New("the path is longer than 4096 bytes or has a zero byte in it")
	}
	if a.nodes[name] != nil {
		return errors.New("it is there twice")
	}
	for dir := path.Dir(name); ; dir = path.Dir(dir) {
		if parent := a.nodes[dir]; parent != nil && !parent.Mode.IsDir() {
			return fmt.Errorf("%s above it is no directory", dir)
		} else if parent != nil {
			break
		}
	}
	a.put(name, n)
	return nil
}

// put files a node under its directory, which it makes where there is none.
func (a *Archive) put(name string, n *node) {
	n.name = path.Base(name)
	a.nodes[name] = n
	dir := path.Dir(name)
	if a.nodes[dir] == nil {
		a.put(dir, &node{Entry: Entry{Mode: fs.ModeDir | 0o555}})
	}
	a.nodes[dir].children = append(a.nodes[dir].children, dirEntry{n})
}

// looksLikeMark gives a line that begins as a mark does. txtar itself knows no
// errors and would take a damaged mark for content.
func looksLikeMark(content []byte) string {
	for line := range bytes.Lines(content) {
		if bytes.HasPrefix(line, []byte("-- ")) {
			return string(bytes.TrimSpace(line))
		}
	}
	return ""
}
