package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"

	"lendkeep/providers/formats/initramfs"
	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// linux asks a Linux for its driver, its names and its loader, by the files that
// decide them.
func (l *look) linux() []facts.Answer {
	m := l.menu()
	return []facts.Answer{l.driver(m), l.names(m), l.loader(m)}
}

// names judges how the system names disks: by the line with which it runs, and by
// those with which it is started next.
func (l *look) names(m menu) facts.Answer {
	files := []boots.File{l.file(boots.Fstab, "/etc/fstab"), l.file(boots.Line, "/proc/cmdline")}
	add := func(kind boots.Kind, name string) {
		if f := l.file(kind, name); f.Text != "" || f.Gap != "" {
			files = append(files, f)
		}
	}
	add(boots.Crypttab, "/etc/crypttab")
	add(boots.Defaults, "/etc/default/grub")
	within := func(kind boots.Kind, folder string, suffixes ...string) {
		names, err := l.list(folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			files = append(files, boots.File{Kind: kind, Path: folder, Gap: quoted(err.Error())})
		}
		for _, name := range names {
			if slices.Contains(suffixes, path.Ext(name)) {
				add(kind, folder+"/"+name)
			}
		}
	}
	within(boots.Defaults, "/etc/default/grub.d", ".cfg")
	within(boots.Unit, "/etc/systemd/system", ".mount", ".swap")
	add(boots.LaterLine, "/etc/kernel/cmdline")
	for _, e := range m.deciding() {
		files = append(files, boots.File{Kind: boots.Line, Path: m.from, Text: e.Line, Gap: e.Gap})
	}
	return boots.Names(files...)
}

// file reads a text. One that is not there is empty.
func (l *look) file(kind boots.Kind, name string) boots.File {
	f := boots.File{Kind: kind, Path: name}
	text, err := l.text(name)
	if err == nil {
		f.Text = text
	} else if !errors.Is(err, fs.ErrNotExist) {
		f.Gap = quoted(err.Error())
	}
	return f
}

// driver judges whether the kernel that is started next finds the driver. Which one
// that is, its loader's file says; the one that runs may be an older one.
func (l *look) driver(m menu) facts.Answer {
	if m.gap != "" {
		k := l.kernel(m, boots.Entry{Kernel: "/boot/vmlinuz-" + l.g.System.Kernel, Gap: "its initramfs was not looked into"})
		return open(facts.AsksDriver, m.from, fmt.Errorf("which kernel is started next is not known: %s; of the one that runs: %s", m.gap, boots.Driver(k).Seen))
	}
	var kernels []boots.Kernel
	seen := map[string]bool{}
	for _, e := range m.deciding() {
		key := fmt.Sprint(e.On, e.Kernel, e.Initrds, e.Gap)
		if seen[key] {
			continue
		}
		seen[key] = true
		k := boots.Kernel{Name: e.Title, BuiltIn: facts.Unknown, Initramfs: facts.Unknown, Why: "not looked into: there are too many"}
		if len(kernels) < kernelsMost {
			k = l.kernel(m, e)
		}
		k.First = m.First >= 0
		kernels = append(kernels, k)
	}
	a := boots.Driver(kernels...)
	if a.Says == facts.Present {
		if barred := l.barred(m); barred != "" {
			a.Says, a.Seen = facts.Unknown, quoted(barred+"; "+a.Seen)
		}
	}
	return a
}

// kernelsMost bounds how many kernels are looked into where it is not known which is
// started: the initramfs of each is read as a whole.
const kernelsMost = 3

// releaseForm is what a kernel's release is made of; it becomes part of paths.
var releaseForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._+~-]{0,63}$`)

// kernel looks for the driver of one that is started.
func (l *look) kernel(m menu, e boots.Entry) boots.Kernel {
	release, named := strings.CutPrefix(path.Base(e.Kernel), "vmlinuz-")
	named = named && releaseForm.MatchString(release)
	k := boots.Kernel{Name: release, BuiltIn: facts.Unknown, Initramfs: facts.Unknown, Where: m.from, Why: e.Gap}
	if named {
		k.BuiltIn = l.builtIn(release)
	}
	switch {
	case k.BuiltIn == facts.Present || e.Gap != "":
		return k
	case k.BuiltIn == facts.Unknown:
		k.Why = "it is not known what it has built in"
	}
	if len(e.Initrds) == 0 {
		k.Initramfs = facts.Absent
		return k
	}
	k.Where, k.Initramfs = strings.Join(e.Initrds, ", "), facts.Absent
	for _, name := range e.Initrds {
		switch held, err := l.inInitramfs(m, e, name, release); {
		case held:
			k.Initramfs = facts.Present
			return k
		case err != nil:
			k.Initramfs, k.Why = facts.Unknown, quoted(fmt.Sprintf("%s: %v", name, err))
		}
	}
	return k
}

// builtIn tells whether a kernel has the driver built in, by what was installed with it.
func (l *look) builtIn(release string) facts.Held {
	if list, err := l.text("/lib/modules/" + release + "/modules.builtin"); err == nil && boots.BuiltIn(list) != facts.Unknown {
		return boots.BuiltIn(list)
	}
	config, err := l.text("/boot/config-" + release)
	if err != nil {
		return facts.Unknown
	}
	return boots.Configured(config)
}

// barred gives what keeps the driver from being loaded by itself, or why that is not
// known.
func (l *look) barred(m menu) string {
	for _, e := range m.deciding() {
		if seen := boots.Barred(e.Line); seen != "" {
			return fmt.Sprintf("the kernel's command line has %.80q", seen)
		}
	}
	for _, folder := range []string{"/etc/modprobe.d", "/usr/lib/modprobe.d", "/lib/modprobe.d"} {
		names, err := l.list(folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "what keeps modules from being loaded is not known: " + err.Error()
		}
		for _, name := range names {
			if path.Ext(name) != ".conf" {
				continue
			}
			text, err := l.text(folder + "/" + name)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return "what keeps modules from being loaded is not known: " + err.Error()
			}
			if seen := boots.Barred(text); seen != "" {
				return fmt.Sprintf("%s/%.60s has %.80q", folder, name, seen)
			}
		}
	}
	return ""
}

// inInitramfs looks for the driver in one of the files that are loaded as initramfs.
// Without an error everything in it was seen. It is read as it is: programs that list
// one write temporary files.
func (l *look) inInitramfs(m menu, e boots.Entry, name, release string) (held bool, err error) {
	file, err := l.of(m, e.On, name)
	if err != nil {
		return false, err
	}
	if err := l.still(nil); err != nil {
		return false, err
	}
	var odd error
	err = l.g.open(l.ctx, file, "rb", func(handle int64) error {
		return initramfs.Walk(l.ctx, &large{ctx: l.ctx, g: l.g, handle: handle}, largeMost+1, func(f initramfs.File) error {
			_, rest, within := strings.Cut("/"+f.Name, "/lib/modules/")
			of, _, _ := strings.Cut(rest, "/")
			switch {
			case f.Mode&0o170000 != 0o100000:
			case boots.IsModule(f.Name) && f.Bytes > 0 && (!within || of == release):
				held = true
				return fs.SkipAll
			case boots.IsModule(f.Name):
				odd = fmt.Errorf("it has the driver for another kernel (%.80q)", of)
			case sealed[path.Base(f.Name)]:
				odd = fmt.Errorf("it holds %.80q, which is not looked into", f.Name)
			}
			return nil
		})
	})
	if err == nil {
		err = odd
	}
	_ = l.still(err)
	return held, err
}

// sealed are archives within an initramfs that are not looked into (dracut's
// 99squash and its successors).
var sealed = map[string]bool{"squashfs-root.img": true, "squash-root.img": true, "erofs-root.img": true, "root.squashfs": true, "root.img": true}
