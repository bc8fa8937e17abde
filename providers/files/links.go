package files

import (
	"cmp"
	"errors"
	"io/fs"
	"path"
	"strings"
)

// mostLinks is as many as the kernel follows (path_resolution(7)).
const mostLinks = 40

// ErrTooManyLinks is for a path that leads in a circle, or nearly so.
var ErrTooManyLinks = errors.New("too many levels of symbolic links")

// Resolve follows every link of a path within the root; an absolute target and
// ".." start at and end at the root, as they do after chroot. Where something is
// missing the answer is how far it led, with the rest appended, and an error
// that is fs.ErrNotExist.
func Resolve(fsys fs.ReadLinkFS, name string) (string, error) {
	real, _, err := Follow(fsys, name)
	return real, err
}

// Follow is Resolve, and gives where each link lies that it followed.
func Follow(fsys fs.ReadLinkFS, name string) (real string, via []string, err error) {
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
		if via = append(via, path.Join("/", next)); len(via) > mostLinks {
			return next, via, ErrTooManyLinks
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
