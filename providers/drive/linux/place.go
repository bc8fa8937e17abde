package linux

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// place is where paths begin: a filesystem, and what is mounted below it.
type place struct {
	root   *volume // nil: what is there is not read
	gap    string  // why
	mounts map[string]*place
}

// alone is a place of one filesystem, as a loader sees it.
func (v *volume) alone() *place { return &place{root: v, gap: v.gap} }

// node is a file that was found.
type node struct {
	v      *volume
	number uint64
	mode   fs.FileMode
	bytes  int64
	path   string // through all links
	gap    string // of the top of a place that is not read: why
}

const (
	linksMost = 40  // Linux include/linux/namei.h, MAXSYMLINKS
	stepsMost = 400 // parts of a path, those of links included
)

// find follows a path, links included. That something is not there is fs.ErrNotExist;
// any other error means that it is not known.
func (p *place) find(name string) (*node, error) {
	trail := []*node{p.top("/")}
	rest := strings.Split(name, "/")
	for links, steps := 0, 0; len(rest) > 0; steps++ {
		part := rest[0]
		rest = rest[1:]
		here := trail[len(trail)-1]
		switch {
		case steps > stepsMost:
			return nil, fmt.Errorf("%s: too many parts", name)
		case part == "" || part == ".":
			continue
		case part == "..":
			trail = trail[:max(1, len(trail)-1)]
			continue
		}
		next, err := p.step(here, part)
		if err != nil {
			return nil, err
		}
		if next.mode != fs.ModeSymlink {
			trail = append(trail, next)
			continue
		}
		if links++; links > linksMost {
			return nil, fmt.Errorf("%s: too many links", name)
		}
		target, err := next.v.tree.Link(next.number)
		if err != nil {
			return nil, fmt.Errorf("link %s: %w", next.path, err)
		}
		if path.IsAbs(target) {
			trail = trail[:1]
		}
		rest = append(strings.Split(target, "/"), rest...)
	}
	return trail[len(trail)-1], nil
}

// top is the root of what is mounted at a path. Of a place that is not read it is
// known by its path alone: something may be mounted below it that is.
func (p *place) top(at string) *node {
	n := &node{mode: fs.ModeDir, path: at, gap: p.gap}
	if p.root != nil && p.root.tree != nil {
		p.root.asked = true
		n.v, n.number = p.root, p.root.tree.Root()
	}
	return n
}

// step goes from a folder to what it has by a name.
func (p *place) step(here *node, part string) (*node, error) {
	at := path.Join(here.path, part)
	if mounted, ok := p.mounts[at]; ok {
		return mounted.top(at), nil
	}
	if here.v == nil {
		return nil, fmt.Errorf("%s: %s", at, here.gap)
	}
	if here.mode != fs.ModeDir {
		return nil, fmt.Errorf("%s: %w", at, fs.ErrNotExist)
	}
	files, err := here.v.list(here.number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", here.path, err)
	}
	number, ok := files[part]
	if _, folds := here.v.tree.(*fatTree); folds && !ok {
		for name, n := range files {
			if strings.EqualFold(name, part) {
				number, ok = n, true
			}
		}
	}
	if !ok {
		return nil, fmt.Errorf("%s: %w", at, fs.ErrNotExist)
	}
	mode, bytes, err := here.v.tree.Stat(number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", at, err)
	}
	return &node{v: here.v, number: number, mode: mode, bytes: bytes, path: at}, nil
}

// list gives the sorted names in a folder; of one that is not there none.
func (p *place) list(name string) ([]string, error) {
	n, err := p.find(name)
	if errors.Is(err, fs.ErrNotExist) || err == nil && n.mode != fs.ModeDir {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if n.v == nil {
		return nil, fmt.Errorf("%s: %s", name, n.gap)
	}
	files, err := n.v.list(n.number)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(files) > listMost {
		return nil, fmt.Errorf("%s has %d files", name, len(files))
	}
	var names []string
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, nil
}

// has tells whether a file or folder is seen.
func (p *place) has(name string) bool {
	_, err := p.find(name)
	return err == nil
}

const (
	textMost = 1 << 20 // bytes of a text that is read
	listMost = 5000    // names of a folder all of which are looked at
)

// text reads a file; one that is not there is fs.ErrNotExist.
func (p *place) text(name string) (string, error) {
	n, err := p.find(name)
	if err != nil {
		return "", err
	}
	if n.mode != 0 || n.bytes < 0 || n.bytes > textMost { // a filesystem may say anything
		return "", fmt.Errorf("%s: no file of a size that is read (%d bytes)", n.path, n.bytes)
	}
	if err := n.v.spend(int(n.bytes)); err != nil {
		return "", err
	}
	r, err := n.v.tree.Open(n.number)
	if err != nil {
		return "", fmt.Errorf("%s: %w", n.path, err)
	}
	b, err := io.ReadAll(io.NewSectionReader(r, 0, n.bytes))
	if err == nil && int64(len(b)) != n.bytes {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return "", fmt.Errorf("%s: %w", n.path, err)
	}
	return string(b), nil
}
