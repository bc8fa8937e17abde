package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// pathPatience is how long one path may take: it may lie on a network
// filesystem whose server is gone, and then a look at it never returns.
const pathPatience = 5 * time.Second

// Paths finds where paths lead, as a survey does, for what turns out to matter
// only once the host was surveyed.
func (t Tree) Paths(ctx context.Context, named []string) []facts.Path {
	s := t.begin()
	s.readPaths(ctx, named)
	return s.out.Paths
}

// maxPaths bounds what images can make a survey read by naming each other.
const maxPaths = 100_000

// readPaths finds where each named path leads, and that of every image below a
// named one, of every loop device's file, of every swap file and of what mounted
// filesystems are made of.
func (s *survey) readPaths(ctx context.Context, named []string) {
	queue := append([]string(nil), named...)
	for _, b := range s.out.Blocks {
		queue = append(queue, b.BackingFile)
	}
	for _, swap := range s.out.Swaps {
		if swap.File {
			queue = append(queue, swap.Path)
		}
	}
	for i := range s.out.Mounts {
		if m := &s.out.Mounts[i]; m.Elsewhere == "" {
			made, _ := m.StandsOn()
			queue = append(queue, made...)
		}
	}
	seen := map[string]bool{"": true}
	if s.about != nil {
		for _, p := range s.about.Paths {
			seen[p.Named] = true
		}
		s.out.Paths = append(s.out.Paths, s.about.Paths...)
	}
	for len(queue) > 0 && len(seen) < maxPaths && ctx.Err() == nil {
		next := queue[0]
		queue = queue[1:]
		if seen[next] || strings.HasSuffix(next, deleted) {
			continue
		}
		seen[next] = true
		p := examineSoon(ctx, s.fsys, next)
		s.out.Paths = append(s.out.Paths, p)
		queue = append(queue, p.Backing)
	}
}

// examineSoon is examine with an end. The read itself cannot be stopped: it is
// left behind.
func examineSoon(ctx context.Context, fsys fs.ReadLinkFS, named string) facts.Path {
	ctx, cancel := context.WithTimeout(ctx, pathPatience)
	defer cancel()
	answer := make(chan facts.Path, 1)
	go func() { answer <- examine(fsys, named) }()
	select {
	case p := <-answer:
		return p
	case <-ctx.Done():
		return facts.Path{Named: named, Gap: "looking at it did not end: " + ctx.Err().Error()}
	}
}

// examine follows a path and reads the head of the image there.
func examine(fsys fs.ReadLinkFS, named string) facts.Path {
	p := facts.Path{Named: named}
	if !strings.HasPrefix(named, "/") {
		p.Gap = "it is not an absolute path"
		return p
	}
	real, via, err := files.Follow(fsys, strings.TrimPrefix(path.Clean(named), "/"))
	p.Via = via
	// What is missing has a place too: the filesystem that it would be on.
	p.Resolved = path.Join("/", real)
	if err == nil {
		err = examineReal(fsys, real, &p)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p.Missing = true
	case err != nil:
		p.Gap = files.Cause(err).Error()
	}
	return p
}

// examineReal looks at what lies at the end of a path. Only files are opened:
// opening a device may start it up, opening a pipe may wait for ever.
func examineReal(fsys fs.ReadLinkFS, real string, p *facts.Path) error {
	stat, err := fsys.Lstat(real)
	if err != nil {
		return err
	}
	switch {
	case stat.IsDir() || stat.Mode().Type() == fs.ModeDevice:
		return nil
	case stat.Mode().IsRegular():
		// A relative name in an image starts at the directory by which the
		// image was opened, links unresolved (QEMU block.c, path_combine).
		return examineImage(fsys, real, path.Dir(p.Named), p)
	default:
		return fmt.Errorf("it is neither a file nor a block device but %s", stat.Mode().Type())
	}
}

// examineImage fills in what the head of an image says.
func examineImage(fsys fs.ReadLinkFS, real, dir string, p *facts.Path) error {
	file, err := fsys.Open(real)
	if err != nil {
		return err
	}
	defer file.Close()
	image, ok := file.(io.ReaderAt)
	if !ok {
		return errors.New("it can only be read from its beginning")
	}
	head, err := readImageHead(image)
	p.Format = head.format
	if err != nil || head.basedOn == "" {
		return err
	}
	p.Backing, err = backingPath(head.basedOn, dir)
	return err
}

// backingPath gives the absolute path of the image that a name in a header
// means. A colon before the first slash is a protocol, of which only "file:" is
// a path (QEMU block.c, path_has_protocol).
func backingPath(name, dir string) (string, error) {
	name = strings.TrimPrefix(name, "file:")
	protocol, _, found := strings.Cut(name, ":")
	switch {
	case found && !strings.Contains(protocol, "/"):
		return "", fmt.Errorf("it is based on %q, which is no path", name)
	case strings.ContainsRune(name, 0):
		return "", errors.New("it is based on a name with a zero byte in it")
	case strings.HasPrefix(name, "/"):
		return path.Clean(name), nil
	default:
		return path.Join(dir, name), nil
	}
}
