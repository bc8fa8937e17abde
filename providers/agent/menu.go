package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// menu is what the guest's loader offers.
type menu struct {
	boots.Menu
	from string // its file, or where one was looked for
	gap  string // why nothing is known of it
}

// loaders are the files of GRUB and extlinux in the folders where systems have them.
var loaders = []string{"/boot/grub/grub.cfg", "/boot/grub2/grub.cfg", "/boot/extlinux/extlinux.conf"}

// menu reads the loader's file. Where there are several, nobody knows which is used.
func (l *look) menu() menu {
	var found []menu
	for _, name := range loaders {
		text, err := l.text(name)
		switch {
		case err == nil && path.Base(name) == "grub.cfg":
			found = append(found, l.grub(name, text))
		case err == nil:
			found = append(found, menu{Menu: boots.ReadExtlinux(text), from: name})
		case !errors.Is(err, fs.ErrNotExist):
			return menu{from: name, gap: quoted(err.Error())}
		}
	}
	if other, err := l.others(); err != nil || other != "" && len(found) > 0 {
		if err == nil {
			err = errors.New("the files of several loaders are there: " + found[0].from + ", " + other)
		}
		return menu{from: "/boot", gap: quoted(err.Error())}
	}
	switch {
	case len(found) == 0:
		return menu{from: "/boot", gap: "no file of a loader that is known is there: neither GRUB's nor extlinux'"}
	case len(found) > 1:
		return menu{from: "/boot", gap: "the files of several loaders are there: " + found[0].from + ", " + found[1].from}
	}
	m := found[0]
	if m.gap == "" && len(m.deciding()) == 0 {
		m.gap = m.from + " offers no kernel"
	}
	return m
}

// partitions are the places at which systems mount the one that firmware reads.
var partitions = []string{"/boot", "/boot/efi", "/efi"}

// others gives a file of another loader, which is not read here: systemd-boot's
// (loader.conf(5)), or a kernel that is a loader itself (Unified Kernel Image
// specification). Firmware may start that one; empty: none is there.
func (l *look) others() (string, error) {
	for _, at := range partitions {
		switch _, err := l.text(at + "/loader/loader.conf"); {
		case err == nil:
			return at + "/loader/loader.conf", nil
		case !errors.Is(err, fs.ErrNotExist):
			return "", err
		}
		names, err := l.list(at + "/EFI/Linux")
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		if i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(path.Ext(n), ".efi") }); i >= 0 {
			return at + "/EFI/Linux/" + names[i], nil
		}
	}
	return "", nil
}

// grub reads a grub.cfg with what stands beside it.
func (l *look) grub(name, text string) menu {
	folder := path.Dir(name)
	block, err := l.text(folder + "/grubenv")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return menu{from: name, gap: quoted(err.Error())}
	}
	env := boots.ReadEnv(block)
	m := menu{Menu: boots.ReadGrub(text, env), from: name}
	if m.Sources {
		for _, beside := range []string{"custom.cfg", "user.cfg"} {
			if _, err := l.text(folder + "/" + beside); !errors.Is(err, fs.ErrNotExist) {
				m.Menu = m.NoFirst()
			}
		}
	}
	if m.Listed {
		m.gap = l.entries(&m.Menu, env)
	}
	return m
}

// entries adds those of the Boot Loader Specification, which GRUB offers too. It gives
// why that is not possible.
func (l *look) entries(m *boots.Menu, env map[string]string) string {
	const folder = "/boot/loader/entries"
	first := m.Default
	m.First = -1
	names, err := l.list(folder)
	if err != nil {
		return quoted(err.Error())
	}
	for _, name := range names {
		if path.Ext(name) != ".conf" {
			continue
		}
		text, err := l.text(folder + "/" + name)
		if err != nil {
			return quoted(err.Error())
		}
		e := boots.ReadEntry(name, text, env)
		if first != "" && e.ID == first {
			m.First = len(m.Entries)
		}
		m.Entries = append(m.Entries, e)
	}
	return ""
}

// deciding are those by which it is judged: the first, or where that is not known all
// that may start a Linux.
func (m menu) deciding() []boots.Entry {
	if m.gap != "" {
		return nil
	}
	if m.First >= 0 {
		return m.Entries[m.First : m.First+1]
	}
	return slices.DeleteFunc(slices.Clone(m.Entries), boots.Entry.Foreign)
}

// of gives the path in the running system of what a loader names. on is the id of the
// filesystem on which that is, else it is the one that the loader's own file is on.
func (l *look) of(m menu, on, name string) (string, error) {
	if !path.IsAbs(name) {
		name = path.Join(path.Dir(m.from), name)
		return name, nil
	}
	for _, at := range []string{path.Dir(m.from), "/"} {
		fields, err := l.mountOf(at)
		if err != nil {
			return "", err
		}
		if len(fields) < 2 || !path.IsAbs(fields[0]) {
			return "", fmt.Errorf("findmnt does not say on which filesystem %s is", at)
		}
		if on != "" && (len(fields) != 3 || !strings.EqualFold(fields[2], on)) {
			continue
		}
		if fields[1] != "/" {
			return "", fmt.Errorf("%s is a part of a filesystem (%.80q), whose paths are not followed", fields[0], fields[1])
		}
		return path.Join(fields[0], name), nil
	}
	return "", fmt.Errorf("it is on filesystem %.80q, which is not the one with %s or with /", on, path.Dir(m.from))
}

// mountOf gives where the filesystem of a folder is mounted, which part of it, and its id
// where that is known. It is asked once.
func (l *look) mountOf(folder string) ([]string, error) {
	if known, ok := l.mounts[folder]; ok {
		return known, nil
	}
	out, err := l.out("findmnt", "--noheadings", "--raw", "--output", "TARGET,FSROOT,UUID", "--target", folder)
	if err != nil {
		return nil, err
	}
	l.mounts[folder] = strings.Fields(string(out)) // TARGET has no blanks: --raw escapes them
	return l.mounts[folder], nil
}

// loader judges whether what is started is there.
func (l *look) loader(m menu) facts.Answer {
	if m.gap != "" {
		return open(facts.AsksLoader, m.from, errors.New(m.gap))
	}
	a := facts.Answer{Question: facts.AsksLoader, Says: facts.Present, Where: m.from}
	var seen []string
	deciding := m.deciding()
	for _, e := range deciding[:min(len(deciding), entriesMost)] {
		says, why := l.leads(m, e)
		if says == facts.Absent && m.First < 0 { // another may be the one that is started
			says = facts.Unknown
		}
		if says == facts.Present {
			continue
		}
		seen = append(seen, why)
		if a.Says != facts.Absent {
			a.Says = says
		}
	}
	if len(deciding) > entriesMost && a.Says == facts.Present {
		a.Says, seen = facts.Unknown, append(seen, fmt.Sprintf("of %d entries %d were looked at", len(deciding), entriesMost))
	}
	if a.Seen = strings.Join(seen[:min(len(seen), 3)], "; "); a.Says == facts.Present {
		a.Seen = fmt.Sprintf("%.80q leads to %s", deciding[0].Title, strings.Join(slices.Concat([]string{deciding[0].Kernel}, deciding[0].Initrds), " and "))
	}
	a.Seen = quoted(a.Seen)
	return a
}

// entriesMost bounds how many entries are followed where the first is not known.
const entriesMost = 12

// leads tells whether the files that an entry names are there.
func (l *look) leads(m menu, e boots.Entry) (facts.Held, string) {
	if e.Gap != "" {
		return facts.Unknown, fmt.Sprintf("%.80q: %s", e.Title, e.Gap)
	}
	for _, name := range slices.Concat([]string{e.Kernel}, e.Initrds) {
		file, err := l.of(m, e.On, name)
		if err == nil {
			err = l.there(file)
		}
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return facts.Absent, fmt.Sprintf("%.80q names %.120q, which is not there or empty", e.Title, name)
		case err != nil:
			return facts.Unknown, fmt.Sprintf("%.80q: %v", e.Title, err)
		}
	}
	return facts.Present, ""
}
