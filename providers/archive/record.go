package archive

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"sync"

	"lendkeep/providers/files"
)

// Recording is a file system that remembers what is read through it, so that
// the same survey can be taken again from an archive. It is safe for use by
// several goroutines.
type Recording struct {
	fsys fs.ReadLinkFS
	mu   sync.Mutex
	seen map[string]*Entry // by path with all links resolved
}

// Record begins to remember what is read of a file system.
func Record(fsys fs.ReadLinkFS) *Recording {
	return &Recording{fsys: fsys, seen: map[string]*Entry{}}
}

// Add keeps a file that was not read through the recording, or keeps other
// content than was read.
func (r *Recording) Add(name string, content []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.seen[name] = &Entry{Mode: 0o444, Content: slices.Clone(content)}
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

// ReadDir lists a directory. The links and directories in it are kept: in /sys it is
// often their being there that says something. A file of which that is asked and
// nothing is read has to be looked at with Lstat.
func (r *Recording) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(r.fsys, name)
	if err != nil {
		r.refuse(name, err)
		return nil, err
	}
	r.keep(name, fs.ModeDir, nil)
	for _, entry := range entries {
		switch full := path.Join(name, entry.Name()); {
		case entry.Type() == fs.ModeSymlink:
			r.ReadLink(full) // an error is kept as well
		case entry.IsDir():
			r.keep(full, fs.ModeDir, nil)
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
	r.keep(name, fs.ModeSymlink, func(n *Entry) { n.Target = target })
	return target, nil
}

// Lstat tells what is there without following a link. That a file is there is
// kept, also where nothing is read of it.
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
	if err != nil {
		return
	}
	switch kind := stat.Mode().Type(); {
	case kind == 0:
		r.keep(name, 0o444, nil)
	case kind == fs.ModeDir, kind == fs.ModeDevice:
		r.keep(name, kind, nil)
	}
}

// keep finds or makes the node for a path and lets fill change it; whatever
// links lead to it are remembered too.
func (r *Recording) keep(name string, mode fs.FileMode, fill func(*Entry)) {
	dir, err := files.Resolve(recordedLinks{r}, path.Dir(name))
	if err != nil {
		return // nothing is there, which the archive says by not having it
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	full := path.Join(dir, path.Base(name))
	kept := r.seen[full]
	if kept == nil {
		kept = &Entry{Mode: mode}
		r.seen[full] = kept
	}
	if fill != nil {
		fill(kept)
	}
}

// refuse remembers why something could not be read, unless it is not there.
func (r *Recording) refuse(name string, err error) {
	if !errors.Is(err, fs.ErrNotExist) {
		r.keep(name, fs.ModeIrregular, func(n *Entry) { n.Reason = files.Cause(err).Error() })
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
		l.seen[name] = &Entry{Mode: fs.ModeSymlink, Target: target}
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
	f.recording.keep(f.name, 0o444, func(n *Entry) {
		end := at + int64(len(part))
		if end > maxFileBytes { // half of it would pass for another file
			n.Reason = fmt.Sprintf("more than the %d bytes are read of it that an archive keeps of a file", maxFileBytes)
			return
		}
		if end > int64(len(n.Content)) {
			n.Content = append(n.Content, make([]byte, end-int64(len(n.Content)))...)
		}
		if at < int64(len(n.Content)) {
			copy(n.Content[at:], part)
		}
	})
}

// Write writes everything that was read so far as an archive. The same reads give
// the same bytes.
func (r *Recording) Write(w io.Writer) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	entries := make(map[string]Entry, len(r.seen))
	for name, e := range r.seen {
		entries[name] = *e
	}
	return Write(w, entries)
}
