package dump

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

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// maxFile is the size of the largest file that is read, 4 MiB: many times the
// longest answer of libvirt's (common practice: capabilities of 300 KB).
const maxFile = 4 << 20

// FromFiles reads what libvirt has said from a folder of its answers:
//
//	uri, version             one line each
//	capabilities.xml
//	domaincapabilities.xml   what new guests can have (virsh domcapabilities)
//	guests/NAME.xml          kept definition
//	guests/NAME.live.xml     definition in force; the guest is running
//	guests/NAME.autostart    if it is there, the guest starts with the host
//	pools/NAME.xml
//	pools/NAME.active        if it is there, the pool is active
//	networks/NAME.xml
//	gaps.json                what libvirt did not say (facts.Gap); it may be missing
//
// A file that cannot be read is a gap. Where there are capabilities, a missing
// folder means that there were none of its kind.
func FromFiles(folder fs.FS) facts.Virtualization {
	f := files{folder: folder}
	f.URI, f.Version = f.line("uri"), f.line("version")
	if text, ok := f.read("capabilities.xml"); ok {
		f.complete = true
		if err := f.Host(text); err != nil {
			f.miss("capabilities.xml", err)
		}
	}
	f.gaps()
	f.offers()
	f.guests()
	f.pools()
	f.networks()
	return f.Facts()
}

type files struct {
	Seen
	folder   fs.FS
	complete bool // the answers were written down to the end
}

func (f *files) miss(file string, reason error) {
	f.Miss(fact(file), path.Join("libvirt", file), reason)
}

// read gives a file's text; a file that cannot be read leaves a gap.
func (f *files) read(name string) (text string, ok bool) {
	file, err := f.folder.Open(name)
	if err != nil {
		f.miss(name, err)
		return "", false
	}
	defer file.Close()
	content, err := io.ReadAll(io.LimitReader(file, maxFile+1))
	if err == nil && len(content) > maxFile {
		err = fmt.Errorf("it is longer than %d bytes", maxFile)
	}
	if err != nil {
		f.miss(name, err)
		return "", false
	}
	return string(content), true
}

// fact names what a file tells.
func fact(file string) string {
	folder, name := path.Split(file)
	name = strings.TrimSuffix(name, ".xml")
	if folder == "" {
		return name
	}
	return strings.TrimSuffix(folder, "s/") + " " + name
}

func (f *files) line(name string) string {
	text, _ := f.read(name)
	return strings.TrimSpace(text)
}

func (f *files) exists(name string) bool {
	_, err := fs.Stat(f.folder, name)
	return err == nil
}

// list gives the XML files in a folder.
func (f *files) list(folder string) []string {
	entries, err := fs.ReadDir(f.folder, folder)
	if err != nil && !(f.complete && errors.Is(err, fs.ErrNotExist)) {
		f.miss(folder, err)
	}
	var list []string
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".xml") {
			list = append(list, path.Join(folder, e.Name()))
		}
	}
	return list
}

// offers reads what new guests can have. Without the file nothing is known of it,
// and that is no gap: they are made without.
func (f *files) offers() {
	const name = "domaincapabilities.xml"
	if !f.exists(name) {
		f.Unoffered(errors.New("libvirt's domain capabilities are not among its answers"))
		return
	}
	if text, ok := f.read(name); ok {
		if err := f.Offered(text); err != nil {
			f.Unoffered(err)
		}
	}
}

// guests puts the files of each guest together. The name in a file counts, and
// the file's own name must agree with it.
func (f *files) guests() {
	found := map[string]*Answers{}
	for _, file := range f.list("guests") {
		text, ok := f.read(file)
		if !ok {
			continue
		}
		name, uuid, err := definition.Names(text)
		if err != nil {
			f.miss(file, err)
			continue
		}
		a := cmp.Or(found[name], &Answers{Name: name, UUID: uuid, Condition: "shut off", At: path.Join("libvirt", file)})
		switch path.Base(file) {
		case name + ".xml":
			a.Kept = text
		case name + ".live.xml":
			a.Live, a.Running, a.Condition = text, true, "running"
		default:
			f.miss(file, fmt.Errorf("the guest in it is called %q", name))
			continue
		}
		found[name] = a
	}
	for _, name := range slices.Sorted(maps.Keys(found)) {
		a := found[name]
		a.Autostart = f.exists("guests/" + name + ".autostart")
		f.Guest(*a)
	}
}

func (f *files) pools() {
	for _, file := range f.list("pools") {
		text, ok := f.read(file)
		if !ok {
			continue
		}
		if err := f.Pool(text, f.exists(strings.TrimSuffix(file, ".xml")+".active")); err != nil {
			f.miss(file, err)
		}
	}
}

func (f *files) networks() {
	for _, file := range f.list("networks") {
		if text, ok := f.read(file); ok {
			if err := f.Network(text); err != nil {
				f.miss(file, err)
			}
		}
	}
}
