package sysfs

import (
	"cmp"
	"errors"
	"io/fs"
	"path"
	"strings"
)

// maxLinks is how many links a path may lead through (Linux: MAXSYMLINKS, 40).
const maxLinks = 40

var errTooManyLinks = errors.New("too many levels of symbolic links")

// resolve follows every link of a path within the root; an absolute target and
// ".." start at and end at the root, as they do after chroot. Where something is
// missing the answer is how far it led, with the rest appended, and an error
// that is fs.ErrNotExist.
func resolve(fsys fs.ReadLinkFS, name string) (string, error) {
	real, _, err := follow(fsys, name)
	return real, err
}

// follow is resolve, and gives where each link lies that it followed.
func follow(fsys fs.ReadLinkFS, name string) (real string, via []string, err error) {
	at, rest := ".", strings.Split(name, "/")
	for len(rest) > 0 {
		element := rest[0]
		rest = rest[1:]
		switch element {
		case "", ".":
			continue
		case "..":
			at = path.Dir(at)
			continue
		}
		next := path.Join(at, element)
		stat, err := fsys.Lstat(next)
		if err != nil {
			return cmp.Or(path.Join("/", next, path.Join(rest...))[1:], "."), via, err
		}
		if stat.Mode().Type() != fs.ModeSymlink {
			at = next
			continue
		}
		if via = append(via, path.Join("/", next)); len(via) > maxLinks {
			return next, via, errTooManyLinks
		}
		target, err := fsys.ReadLink(next)
		if err != nil {
			return next, via, err
		}
		if strings.HasPrefix(target, "/") {
			at = "."
		}
		rest = append(strings.Split(target, "/"), rest...)
	}
	return at, via, nil
}
