package archive

import (
	"bytes"
	"cmp"
	"errors"
	"io"
	"io/fs"
	"path"
	"slices"
	"time"

	"lendkeep/providers/files"
)

// Open opens a file or directory, following links within the archive.
func (a *Archive) Open(name string) (fs.File, error) {
	n, err := a.follow("open", name)
	if err != nil {
		return nil, err
	}
	return &openNode{node: n, path: name, reader: bytes.NewReader(n.Content)}, nil
}

// ReadFile gives the content of a file.
func (a *Archive) ReadFile(name string) ([]byte, error) {
	n, err := a.follow("open", name)
	if err != nil {
		return nil, err
	}
	if n.Mode.IsDir() {
		return nil, &fs.PathError{Op: "read", Path: name, Err: errors.New("is a directory")}
	}
	return slices.Clone(n.Content), nil
}

// ReadDir lists a directory by name.
func (a *Archive) ReadDir(name string) ([]fs.DirEntry, error) {
	n, err := a.follow("open", name)
	if err != nil {
		return nil, err
	}
	if !n.Mode.IsDir() {
		return nil, &fs.PathError{Op: "readdir", Path: name, Err: errors.New("not a directory")}
	}
	return slices.Clone(n.children), nil
}

// ReadLink gives the target of a link as it was written.
func (a *Archive) ReadLink(name string) (string, error) {
	n, err := a.at("readlink", name)
	if err != nil {
		return "", err
	}
	if n.Reason != "" {
		return "", &fs.PathError{Op: "readlink", Path: name, Err: errors.New(n.Reason)}
	}
	if n.Mode.Type() != fs.ModeSymlink {
		return "", &fs.PathError{Op: "readlink", Path: name, Err: fs.ErrInvalid}
	}
	return n.Target, nil
}

// Lstat tells what is there without following a link in the last element.
func (a *Archive) Lstat(name string) (fs.FileInfo, error) {
	n, err := a.at("lstat", name)
	if err != nil {
		return nil, err
	}
	return nodeStat{n}, nil
}

// Stat tells what is there, following links.
func (a *Archive) Stat(name string) (fs.FileInfo, error) {
	n, err := a.follow("stat", name)
	if err != nil {
		return nil, err
	}
	return nodeStat{n}, nil
}

// at finds a node, following links in all elements but the last.
func (a *Archive) at(op, name string) (*node, error) {
	if !fs.ValidPath(name) {
		return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrInvalid}
	}
	if n := a.nodes[name]; n != nil {
		return n, nil
	}
	dir, err := files.Resolve(a, path.Dir(name))
	if err != nil {
		return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	if n := a.nodes[path.Join(dir, path.Base(name))]; n != nil {
		return n, nil
	}
	return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
}

// follow finds a node as at does, follows a link in the last element too, and
// gives the error of one that could not be read.
func (a *Archive) follow(op, name string) (*node, error) {
	n, err := a.at(op, name)
	if err != nil {
		return nil, err
	}
	if n.Mode.Type() == fs.ModeSymlink {
		real, err := files.Resolve(a, name)
		if err != nil {
			return nil, &fs.PathError{Op: op, Path: name, Err: files.Cause(err)}
		}
		n = a.nodes[real]
	}
	if n.Reason != "" && op != "stat" {
		return nil, &fs.PathError{Op: op, Path: name, Err: errors.New(n.Reason)}
	}
	return n, nil
}

func (a *Archive) sortChildren() {
	for _, n := range a.nodes {
		slices.SortFunc(n.children, func(x, y fs.DirEntry) int { return cmp.Compare(x.Name(), y.Name()) })
	}
}

// openNode is an open file or directory of an archive.
type openNode struct {
	*node
	path   string
	reader *bytes.Reader
	listed int
}

func (o *openNode) Stat() (fs.FileInfo, error) { return nodeStat{o.node}, nil }
func (o *openNode) Close() error               { return nil }

func (o *openNode) Read(p []byte) (int, error) {
	if o.Mode.IsDir() {
		return 0, &fs.PathError{Op: "read", Path: o.path, Err: errors.New("is a directory")}
	}
	return o.reader.Read(p)
}

func (o *openNode) ReadAt(p []byte, at int64) (int, error) { return o.reader.ReadAt(p, at) }

func (o *openNode) ReadDir(count int) ([]fs.DirEntry, error) {
	if !o.Mode.IsDir() {
		return nil, &fs.PathError{Op: "readdir", Path: o.path, Err: errors.New("not a directory")}
	}
	rest := o.children[o.listed:]
	if count > 0 {
		if len(rest) == 0 {
			return nil, io.EOF
		}
		rest = rest[:min(count, len(rest))]
	}
	o.listed += len(rest)
	return slices.Clone(rest), nil
}

// nodeStat shows a node as fs.FileInfo.
type nodeStat struct{ *node }

func (s nodeStat) Name() string       { return s.name }
func (s nodeStat) Size() int64        { return int64(len(s.Content)) }
func (s nodeStat) Mode() fs.FileMode  { return s.Entry.Mode }
func (s nodeStat) ModTime() time.Time { return time.Time{} }
func (s nodeStat) IsDir() bool        { return s.Entry.Mode.IsDir() }
func (s nodeStat) Sys() any           { return nil }

// dirEntry shows a node as fs.DirEntry.
type dirEntry struct{ *node }

func (d dirEntry) Name() string               { return d.name }
func (d dirEntry) IsDir() bool                { return d.Mode.IsDir() }
func (d dirEntry) Type() fs.FileMode          { return d.Mode.Type() }
func (d dirEntry) Info() (fs.FileInfo, error) { return nodeStat(d), nil }
