package boots

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
)

// Reading is how the texts of an installed system are read. Of what is not there the
// error is fs.ErrNotExist.
type Reading struct {
	Text func(name string) (string, error)
	List func(folder string) ([]string, error) // names
}

// Files reads what names disks beside the command lines of its kernels.
func (r Reading) Files() []File {
	files := []File{r.file(Fstab, "/etc/fstab")}
	add := func(kind Kind, name string) {
		if f := r.file(kind, name); f.Text != "" || f.Gap != "" {
			files = append(files, f)
		}
	}
	within := func(kind Kind, folder string, suffixes ...string) {
		names, err := r.List(folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			files = append(files, File{Kind: kind, Path: folder, Gap: err.Error()})
		}
		for _, name := range names {
			if slices.Contains(suffixes, path.Ext(name)) {
				add(kind, folder+"/"+name)
			}
		}
	}
	add(Crypttab, "/etc/crypttab")
	add(Defaults, "/etc/default/grub")
	within(Defaults, "/etc/default/grub.d", ".cfg")
	within(Unit, "/etc/systemd/system", ".mount", ".swap")
	add(LaterLine, "/etc/kernel/cmdline")
	return files
}

// file reads one. One that is not there is empty.
func (r Reading) file(kind Kind, name string) File {
	f := File{Kind: kind, Path: name}
	var err error
	if f.Text, err = r.Text(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		f.Gap = err.Error()
	}
	return f
}

// Barred gives what keeps the driver from being loaded by itself: in the command lines
// or in what modprobe.d(5) reads. An error says what of that could not be read.
func (r Reading) Barred(lines []string) (string, error) {
	for _, line := range lines {
		if seen := Barred(line); seen != "" {
			return fmt.Sprintf("the kernel's command line has %.80q", seen), nil
		}
	}
	var unread error
	for _, folder := range []string{"/etc/modprobe.d", "/usr/lib/modprobe.d", "/lib/modprobe.d"} {
		names, err := r.List(folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			unread = cmp.Or(unread, err)
		}
		for _, name := range names {
			if path.Ext(name) != ".conf" {
				continue
			}
			text, err := r.Text(folder + "/" + name)
			if seen := Barred(text); seen != "" && err == nil {
				return fmt.Sprintf("%s/%.60s has %.80q", folder, name, seen), nil
			}
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				unread = cmp.Or(unread, err)
			}
		}
	}
	return "", unread
}
