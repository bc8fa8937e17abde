package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// listing is what a folder of a Linux guest has.
type listing struct {
	names []string
	err   error
}

// list gives the names in a folder; of one that is not there fs.ErrNotExist.
func (l *look) list(folder string) ([]string, error) {
	if known, ok := l.listed[folder]; ok {
		return known.names, known.err
	}
	if l.lacked(folder) {
		return nil, fmt.Errorf("%s: %w", folder, fs.ErrNotExist)
	}
	out, err := l.out("ls", "-1", "-A", "--", folder)
	var names []string
	switch {
	case err == nil:
		names = strings.FieldsFunc(string(out), func(r rune) bool { return r == '\n' })
	case l.over == nil && folder != "/" && l.absent(folder):
		err = fmt.Errorf("%s: %w", folder, fs.ErrNotExist)
	}
	l.listed[folder] = listing{names, err}
	return names, err
}

// absent tells that a file is seen not to be there: its folder could be listed, and
// lacks it, or is itself seen not to be there. What an agent says of a file that it
// does not open is in the guest's language.
func (l *look) absent(name string) bool {
	_, _ = l.list(path.Dir(name))
	return l.lacked(name)
}

// lacked tells that by what was listed already: a guest is asked for little time.
func (l *look) lacked(name string) bool {
	for ; name != "/" && name != "."; name = path.Dir(name) {
		in, ok := l.listed[path.Dir(name)]
		if ok && (errors.Is(in.err, fs.ErrNotExist) || len(in.names) > 0 && !slices.Contains(in.names, path.Base(name))) {
			return true
		}
	}
	return false
}

// textMost bounds a text that is read of a guest, in bytes.
const textMost = 1 << 20

// text reads a text; of one that is not there the error is fs.ErrNotExist.
func (l *look) text(name string) (string, error) {
	if l.lacked(name) {
		return "", fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	content, err := l.read(name, textMost)
	if err == nil {
		return string(content), nil
	}
	if l.over == nil && l.absent(name) {
		return "", fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	return "", err
}

// firstBytes is how much of a file is read to see that it is there and not empty.
const firstBytes = 1

// there tells whether a file is there that is not empty; of one that is not
// fs.ErrNotExist.
func (l *look) there(name string) error {
	if err := l.still(nil); err != nil {
		return err
	}
	err := l.g.open(l.ctx, name, "rb", func(handle int64) error {
		p, err := ask(l.ctx, l.g, "guest-file-read", map[string]int64{"handle": handle, "count": firstBytes}, readPiece(firstBytes))
		if err == nil && len(p.content) == 0 {
			err = fmt.Errorf("%s is empty: %w", name, fs.ErrNotExist)
		}
		return err
	})
	switch {
	case err == nil || errors.Is(err, fs.ErrNotExist):
		return err
	case l.still(err) == nil && l.absent(name):
		return fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	return fmt.Errorf("%s in guest %s: %w", name, l.g.Name, err)
}
