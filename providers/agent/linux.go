package agent

import (
	"cmp"
	"fmt"
	"io/fs"
	"path"
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

// reading is how the texts of this guest are read.
func (l *look) reading() boots.Reading { return boots.Reading{Text: l.text, List: l.list} }

// names judges how the system names disks: by the line with which it runs, and by
// those with which it is started next.
func (l *look) names(m menu) facts.Answer {
	running := boots.File{Kind: boots.Line, Path: "/proc/cmdline"}
	var err error
	if running.Text, err = l.text(running.Path); err != nil {
		running.Gap = err.Error()
	}
	files := append(l.reading().Files(), running)
	for i := range files {
		files[i].Gap = quoted(files[i].Gap)
	}
	for _, e := range m.deciding() {
		files = append(files, boots.File{Kind: boots.Line, Path: m.from, Text: e.Line, Gap: e.Gap})
	}
	return boots.Names(files...)
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

// kernel looks for the driver of one that is started.
func (l *look) kernel(m menu, e boots.Entry) boots.Kernel {
	release, named := strings.CutPrefix(path.Base(e.Kernel), "vmlinuz-")
	named = named && boots.IsRelease(release)
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
	var lines []string
	for _, e := range m.deciding() {
		lines = append(lines, e.Line)
	}
	seen, err := l.reading().Barred(lines)
	if seen == "" && err != nil {
		return "what keeps modules from being loaded is not known: " + err.Error()
	}
	return seen
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
			if f.Mode&0o170000 != 0o100000 {
				return nil
			}
			var why error
			if held, why = boots.InInitramfs(f.Name, f.Bytes, release); held {
				return fs.SkipAll
			}
			odd = cmp.Or(why, odd)
			return nil
		})
	})
	if err == nil {
		err = odd
	}
	_ = l.still(err)
	return held, err
}
