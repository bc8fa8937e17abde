package sysfs

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"

	"golang.org/x/tools/txtar"

	"lendkeep/providers/files"
)

// Recording is a file system that remembers what is read through it, so that
// the same survey can be taken again from an archive. It is safe for use by
// several goroutines.
type Recording struct {
	fsys fs.ReadLinkFS
	mu   sync.Mutex
	seen map[string]*node // by path with all links resolved
}

func newRecording(fsys fs.ReadLinkFS) *Recording {
	return &Recording{fsys: fsys, seen: map[string]*node{}}
}

// Add keeps a file that was not read through the recording, or keeps other
// content than was read.
func (r *Recording) Add(name string, content []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seen[name] = &node{mode: 0o444, content: slices.Clone(content)}
}

// Open opens a file; what is then read of it is remembered. Parts that are not
// read are kept as zeros, and nothing after the last part is kept.
func (r *Recording) Open(name string) (fs.File, error) {
	file, err := r.fsys.Open(name)
	if err != nil {
		r.refuse(name, err)
		return nil, err
	}
	return &recordedFile{File: file, recording: r, name: name}, nil
}

// ReadDir lists a directory. The links in it are kept: in /sys it is often
// their being there that says something.
func (r *Recording) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(r.fsys, name)
	if err != nil {
		r.refuse(name, err)
		return nil, err
	}
	r.keep(name, fs.ModeDir, nil)
	for _, entry := range entries {
		if entry.Type() == fs.ModeSymlink {
			r.ReadLink(path.Join(name, entry.Name())) // an error is kept as well
		}
	}
	return entries, nil
}

// ReadLink gives the target of a link.
func (r *Recording) ReadLink(name string) (string, error) {
	target, err := r.fsys.ReadLink(name)
	if err != nil {
		r.refuse(name, err)
		return "", err
	}
	r.keep(name, fs.ModeSymlink, func(n *node) { n.target = target })
	return target, nil
}

// Lstat tells what is there without following a link. Of files only block
// devices are kept, since the others are opened.
func (r *Recording) Lstat(name string) (fs.FileInfo, error) {
	stat, err := r.fsys.Lstat(name)
	r.keepStat(name, stat, err)
	return stat, err
}

// Stat tells what is there.
func (r *Recording) Stat(name string) (fs.FileInfo, error) {
	stat, err := fs.Stat(r.fsys, name)
	r.keepStat(name, stat, err)
	return stat, err
}

func (r *Recording) keepStat(name string, stat fs.FileInfo, err error) {
	if err == nil && (stat.IsDir() || isBlock(stat.Mode())) {
		r.keep(name, stat.Mode().Type(), nil)
	}
}

// keep finds or makes the node for a path and lets fill change it; whatever
// links lead to it are remembered too.
func (r *Recording) keep(name string, mode fs.FileMode, fill func(*node)) {
	dir, err := files.Resolve(recordedLinks{r}, path.Dir(name))
	if err != nil {
		return // nothing is there, which the archive says by not having it
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	full := path.Join(dir, path.Base(name))
	kept := r.seen[full]
	if kept == nil {
		kept = &node{mode: mode}
		r.seen[full] = kept
	}
	if fill != nil {
		fill(kept)
	}
}

// refuse remembers why something could not be read, unless it is not there.
func (r *Recording) refuse(name string, err error) {
	if !errors.Is(err, fs.ErrNotExist) {
		r.keep(name, fs.ModeIrregular, func(n *node) { n.reason = files.Cause(err).Error() })
	}
}

// recordedLinks lets resolve walk the recorded file system, and remembers the
// links that it goes through.
type recordedLinks struct{ *Recording }

func (l recordedLinks) Lstat(name string) (fs.FileInfo, error) { return l.fsys.Lstat(name) }

func (l recordedLinks) ReadLink(name string) (string, error) {
	target, err := l.fsys.ReadLink(name)
	if err == nil {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.seen[name] = &node{mode: fs.ModeSymlink, target: target}
	}
	return target, err
}

// recordedFile remembers the parts that are read.
type recordedFile struct {
	fs.File
	recording *Recording
	name      string
	at        int64
}

func (f *recordedFile) Read(p []byte) (int, error) {
	n, err := f.File.Read(p)
	f.keep(p[:n], f.at, err)
	f.at += int64(n)
	return n, err
}

func (f *recordedFile) ReadAt(p []byte, at int64) (int, error) {
	reader, ok := f.File.(io.ReaderAt)
	if !ok {
		return 0, errors.ErrUnsupported
	}
	n, err := reader.ReadAt(p, at)
	f.keep(p[:n], at, err)
	return n, err
}

func (f *recordedFile) keep(part []byte, at int64, err error) {
	if err != nil && err != io.EOF {
		f.recording.refuse(f.name, err)
		return
	}
	f.recording.keep(f.name, 0o444, func(n *node) {
		end := at + int64(len(part))
		if end > maxFileBytes { // half of it would pass for another file
			n.reason = fmt.Sprintf("more than the %d bytes are read of it that an archive keeps of a file", maxFileBytes)
			return
		}
		if end > int64(len(n.content)) {
			n.content = append(n.content, make([]byte, end-int64(len(n.content)))...)
		}
		if at < int64(len(n.content)) {
			copy(n.content[at:], part)
		}
	})
}

// WriteArchive writes everything that was read so far as an archive. The same
// reads give the same bytes.
func (r *Recording) WriteArchive(w io.Writer) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	text := &txtar.Archive{}
	for _, name := range slices.Sorted(maps.Keys(r.seen)) {
		file, err := entry(name, r.seen[name])
		if err != nil {
			return fmt.Errorf("write archive: %w", err)
		}
		if !r.seen[name].mode.IsDir() || r.seen[name].reason != "" || !r.holdsAny(name) {
			text.Files = append(text.Files, file)
		}
	}
	text.Files = append(text.Files, txtar.File{Name: endMark})
	content := txtar.Format(text)
	if _, err := ParseArchive(content); err != nil {
		return fmt.Errorf("write archive: it would not be readable: %w", err)
	}
	if _, err := w.Write(content); err != nil {
		return fmt.Errorf("write archive: %w", err)
	}
	return nil
}

// holdsAny tells whether anything is kept below a directory, which then needs
// no entry of its own.
func (r *Recording) holdsAny(dir string) bool {
	for name := range r.seen {
		if dir == "." || strings.HasPrefix(name, dir+"/") {
			return true
		}
	}
	return false
}

// entry gives the text of one node.
func entry(name string, n *node) (txtar.File, error) {
	if err := speakable(name, n); err != nil {
		return txtar.File{}, err
	}
	switch {
	case n.reason != "":
		return txtar.File{Name: name + unreadableMark, Data: []byte(strings.ReplaceAll(n.reason, "\n", " ") + "\n")}, nil
	case n.mode.IsDir():
		return txtar.File{Name: name + "/"}, nil
	case n.mode.Type() == fs.ModeSymlink:
		return txtar.File{Name: name + linkMark + n.target}, nil
	case n.mode.Type() == fs.ModeDevice:
		return txtar.File{Name: name + blockMark}, nil
	case isPlain(n.content):
		return txtar.File{Name: name, Data: n.content}, nil
	default:
		return txtar.File{Name: name + hexMark, Data: formatHex(n.content)}, nil
	}
}

// speakable refuses the few paths that an entry's name cannot say.
func speakable(name string, n *node) error {
	ambiguous := strings.Contains(name, linkMark) || strings.HasSuffix(name, ")") ||
		strings.ContainsAny(name+n.target, "\n\r")
	if ambiguous || cmp.Or(strings.TrimSpace(name), name) != name || strings.TrimSpace(n.target) != n.target {
		return fmt.Errorf("path %q: an archive cannot hold it", name)
	}
	return nil
}
