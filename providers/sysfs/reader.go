package sysfs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// maxRead is how much of a file is read: twice the PCI id database, the
// longest file of all.
const maxRead = 4 << 20

// reader reads files of one tree. It is not safe for use by several goroutines.
type reader struct {
	fsys   fs.ReadLinkFS
	buffer []byte
}

// read gives the content of a file, which is valid until the next call. It
// does without the file's size, which is not true in /sys and /proc.
func (r *reader) read(name string) ([]byte, error) {
	file, err := r.fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	length := 0
	for {
		if length == len(r.buffer) {
			r.buffer = append(r.buffer, make([]byte, max(8192, length))...)
		}
		n, err := file.Read(r.buffer[length:])
		length += n
		switch {
		case err == io.EOF:
			return r.buffer[:length], nil
		case err != nil:
			return nil, err
		case length > maxRead:
			return nil, fmt.Errorf("it is longer than %d bytes", maxRead)
		}
	}
}

// list gives the names in a directory, sorted; nil where there are none.
func (r *reader) list(dir string) ([]string, error) {
	entries, err := fs.ReadDir(r.fsys, dir)
	if err != nil || len(entries) == 0 {
		return nil, err
	}
	names := make([]string, len(entries))
	for i, entry := range entries {
		names[i] = entry.Name()
	}
	return names, nil
}

// target gives the path that a link leads to, below the root. In /sys no
// element of a link's own path is a link, so the words of it are enough.
func (r *reader) target(link string) (string, error) {
	to, err := r.fsys.ReadLink(link)
	if err != nil {
		return "", err
	}
	if !strings.HasPrefix(to, "/") {
		to = path.Join("/", path.Dir(link), to)
	}
	return strings.TrimPrefix(path.Clean(to), "/"), nil
}

// place is a directory whose files fill one value; what cannot be read there
// becomes a gap of that value.
type place struct {
	*reader
	dir  string
	gaps *[]facts.Gap
}

// gap notes that a fact is not known.
func (p place) gap(fact, name string, err error) {
	*p.gaps = append(*p.gaps, facts.Gap{Fact: fact, Path: "/" + path.Join(p.dir, name), Reason: files.Cause(err).Error()})
}

// names lists the directory, without which there is nothing of its kind.
func (p place) names(fact string) []string {
	names, err := p.list(p.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		p.gap(fact, "", err)
	}
	return names
}

// share notes that a fact is not known for the same reason as one of those facts
// of another value, from which it is taken.
func (p place) share(fact string, others []facts.Gap, of ...string) {
	for _, gap := range others {
		if slices.Contains(of, gap.Fact) {
			gap.Fact = fact
			*p.gaps = append(*p.gaps, gap)
		}
	}
}

// text gives a file's content without white space around it; "" and a gap where
// it cannot be had.
func (p place) text(fact, name string) string {
	content, err := p.line(name)
	if err != nil {
		p.gap(fact, name, err)
	}
	return content
}

// line reads an attribute. All those of the kernel end their line; where the
// end is missing the file was cut, and half a number is worse than none.
func (p place) line(name string) (string, error) {
	content, err := p.read(p.dir + "/" + name)
	if err != nil {
		return "", err
	}
	if !ended(content) {
		return "", errCut
	}
	return string(bytes.TrimSpace(content)), nil
}

// ended tells whether a file has an end of line, and at its end.
func ended(content []byte) bool { return bytes.HasSuffix(content, []byte("\n")) }

var errCut = errors.New("it is cut: its last line has no end")

// textIfAny is text for a file whose absence means something; there tells
// whether the file is there, or may be.
func (p place) textIfAny(fact, name string) (text string, there bool) {
	text, err := p.line(name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", false
	}
	if err != nil {
		p.gap(fact, name, err)
	}
	return text, true
}

// number gives a file's content as a number; base 0 goes by its prefix.
func (p place) number(fact, name string, base, bits int) uint64 {
	text, err := p.line(name)
	if err != nil {
		p.gap(fact, name, err)
		return 0
	}
	return p.parsed(fact, name, text, base, bits)
}

// numberIfAny is number for a file whose absence means something, as an empty one
// does; 0 then.
func (p place) numberIfAny(fact, name string, base, bits int) uint64 {
	text, there := p.textIfAny(fact, name)
	if !there || text == "" {
		return 0 // or there is a gap already
	}
	return p.parsed(fact, name, text, base, bits)
}

// parsed gives the number that a file's text is.
func (p place) parsed(fact, name, text string, base, bits int) uint64 {
	number, err := strconv.ParseUint(text, base, bits)
	if err != nil {
		p.gap(fact, name, unexpected(text))
	}
	return number
}

// link gives the last element of a link's target; "" where there is no link.
func (p place) link(fact, name string) string {
	to, err := p.fsys.ReadLink(p.dir + "/" + name)
	if err == nil {
		return path.Base(to)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		p.gap(fact, name, err)
	}
	return ""
}

// unexpected is the error for content of another form than documented.
func unexpected(text string) error {
	if len(text) > 40 {
		text = text[:40] + "..."
	}
	return fmt.Errorf("unexpected content %q", text)
}
