package linux

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"lendkeep/providers/formats/initramfs"
	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// kernelsMost bounds how many kernels are looked into where it is not known which is
// started: each has an initramfs to unpack.
const kernelsMost = 8

// driver answers whether what is started has the NVMe driver.
func (s *system) driver(o *offers) facts.Answer {
	var kernels []boots.Kernel
	var lines []string
	seen := map[string]bool{}
	for _, e := range o.deciding() {
		lines = append(lines, e.Line)
		key := fmt.Sprint(e.at.root, e.Kernel, e.Initrds, e.Gap)
		if seen[key] {
			continue
		}
		seen[key] = true
		if len(kernels) == kernelsMost {
			kernels = append(kernels, boots.Kernel{Name: e.Kernel, BuiltIn: facts.Unknown, Initramfs: facts.Unknown, Why: "not looked into: there are too many"})
			break
		}
		k := s.kernel(e)
		k.First = o.first >= 0
		kernels = append(kernels, k)
	}
	a := boots.Driver(kernels...)
	if o.gap != "" {
		a.Says, a.Seen = facts.Unknown, o.gap+"; "+a.Seen
	}
	barred, err := s.reading().Barred(lines)
	if barred == "" && err != nil && s.here.root != nil { // of a root that cannot be read the other answers tell
		barred = "what keeps modules from being loaded is not known: " + err.Error()
	}
	if barred != "" && a.Says != facts.Absent {
		a.Says, a.Seen = facts.Unknown, barred+"; "+a.Seen
	}
	return a
}

// kernel looks for the driver of one that is started.
func (s *system) kernel(e offer) boots.Kernel {
	k := boots.Kernel{Name: cmp.Or(strings.TrimPrefix(path.Base(e.Kernel), "vmlinuz-"), e.title()), BuiltIn: facts.Unknown, Initramfs: facts.Unknown, Where: e.from, Why: e.Gap}
	if e.Gap != "" {
		return k
	}
	n, err := e.at.find(e.Kernel)
	if err == nil && n.mode != 0 {
		err = fmt.Errorf("%s is no file", n.path)
	}
	if err != nil {
		k.Why = err.Error()
		return k
	}
	of := ""
	if e.one != nil {
		of = e.one.release
	} else {
		of = release(n)
	}
	k.Name = cmp.Or(of, k.Name)
	k.BuiltIn = s.builtIn(e, of)
	if k.BuiltIn == facts.Present {
		return k
	}
	if k.BuiltIn == facts.Unknown {
		k.Why = "it is not known what it has built in"
	}
	if len(e.Initrds) == 0 && (e.one == nil || e.one.initrd == nil) {
		k.Initramfs = facts.Absent
		return k
	}
	k.Where = cmp.Or(strings.Join(e.Initrds, ", "), e.Kernel)
	i := s.image(e, of)
	if i.builtIn != facts.Unknown && k.BuiltIn == facts.Unknown {
		k.BuiltIn = i.builtIn
	}
	k.Initramfs = i.says
	if i.says == facts.Unknown {
		k.Why = i.why
	}
	return k
}

// builtIn tells whether a kernel has the driver built in, by what was installed with it.
func (s *system) builtIn(e offer, release string) facts.Held {
	if release == "" {
		return facts.Unknown
	}
	for _, folder := range []string{"/lib/modules/", "/usr/lib/modules/"} {
		if list, err := s.here.text(folder + release + "/modules.builtin"); err == nil && boots.BuiltIn(list) != facts.Unknown {
			return boots.BuiltIn(list)
		}
	}
	config, err := e.at.text(path.Join(path.Dir(e.Kernel), "config-"+release))
	if err != nil {
		return facts.Unknown
	}
	return boots.Configured(config)
}

// image is what was seen in the files of an initramfs.
type image struct {
	says    facts.Held // the driver's module
	why     string     // where that is unknown
	builtIn facts.Held // by the modules.builtin in it
}

// image looks for the driver in all files that an entry has loaded as its initramfs.
func (s *system) image(e offer, release string) *image {
	key := fmt.Sprint(e.at.root, e.Initrds, e.one, release)
	if known := s.read[key]; known != nil {
		return known
	}
	i := &image{says: facts.Absent, builtIn: facts.Unknown}
	s.read[key] = i
	note := func(name string, err error) {
		if err != nil && i.says != facts.Present {
			i.says, i.why = facts.Unknown, fmt.Sprintf("%s: %v", name, err)
		}
	}
	if e.one != nil {
		note(e.Kernel, s.part(i, e.one.initrd, e.one.initrd.Size(), release))
	}
	for _, name := range e.Initrds {
		if i.says != facts.Present {
			note(name, s.file(i, e.at, name, release))
		}
	}
	return i
}

// file looks into one file.
func (s *system) file(i *image, at *place, name, release string) error {
	n, err := at.find(name)
	if err != nil {
		return err
	}
	if n.mode != 0 {
		return errors.New("no file")
	}
	r, err := n.v.tree.Open(n.number)
	if err != nil {
		return err
	}
	return s.part(i, r, n.bytes, release)
}

// part looks into one initramfs. An error means that not all of it was seen.
func (s *system) part(i *image, r io.ReaderAt, size int64, release string) error {
	var odd error
	err := initramfs.Walk(s.ctx, r, size, func(f initramfs.File) error {
		if f.Mode&0o170000 != 0o100000 {
			return nil
		}
		held, why := boots.InInitramfs(f.Name, f.Bytes, release)
		if held {
			i.says = facts.Present
			return fs.SkipAll
		}
		odd = cmp.Or(why, odd)
		if of, inside := boots.ModuleOf(f.Name); inside == "modules.builtin" && of == release && f.Bytes <= textMost {
			list, err := io.ReadAll(f)
			if err != nil {
				return err
			}
			i.builtIn = boots.BuiltIn(string(list))
		}
		return nil
	})
	return cmp.Or(err, odd)
}
