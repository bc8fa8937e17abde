package linux

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/boots"
)

// offer is an entry of a loader, with where its paths begin.
type offer struct {
	boots.Entry
	from string // the loader's file
	at   *place
	bare bool // no loader names it: a kernel that lies there
	one  *unified
}

// offers is what the loaders that were found offer.
type offers struct {
	all   []offer
	first int    // what is started when nobody chooses; -1: not known
	menus int    // loaders with something to offer
	gap   string // why a loader's file could not be read
}

// deciding are those by which it is judged: the first, or where that is not known all
// that start a Linux.
func (o *offers) deciding() []offer {
	if o.first >= 0 {
		return o.all[o.first : o.first+1]
	}
	return slices.DeleteFunc(slices.Clone(o.all), func(e offer) bool { return e.Foreign() })
}

// unsure notes what could not be read. Then more may be offered than is known.
func (o *offers) unsure(err error) {
	if err != nil && !errors.Is(err, fs.ErrNotExist) && o.gap == "" {
		o.gap = err.Error()
	}
}

// offers looks for every loader's files. Several loaders leave open which is started.
func (s *system) offers() *offers {
	o := &offers{first: -1}
	listed := s.grub(o)
	for _, name := range []string{"/boot/extlinux/extlinux.conf", "/boot/extlinux.conf", "/boot/syslinux/syslinux.cfg"} {
		text, err := s.here.text(name)
		if err != nil {
			o.unsure(err)
			continue
		}
		o.menu(boots.ReadExtlinux(text), name, s.here, volumeOf(s.here, name), s.mounted)
	}
	s.listed(o, listed)
	switch {
	case len(o.all) == 0:
		s.bare(o)
	case o.menus > 1 || o.gap != "":
		o.first = -1
	case o.first < 0:
		if only := o.deciding(); len(only) == 1 && len(o.all) == 1 {
			o.first = 0
		}
	}
	return o
}

// volumeOf gives the filesystem that a file is on, as its loader sees it.
func volumeOf(here *place, name string) *place {
	n, err := here.find(name)
	if err != nil || n.v == nil {
		return &place{gap: "it is not known on which partition " + name + " is"}
	}
	return n.v.alone()
}

// menu adds what a loader's file offers, which is beside other files of a place, and for
// the loader on a filesystem. on gives the filesystem of an id.
func (o *offers) menu(m boots.Menu, from string, beside, at *place, on func(id string) *place) {
	if m.First >= 0 {
		o.first = len(o.all) + m.First
	}
	for _, e := range m.Entries {
		where := at
		if e.On != "" {
			where = on(e.On)
		}
		if e.Kernel != "" && !path.IsAbs(e.Kernel) { // from the folder of the file itself
			where = beside
			e.Kernel = path.Join(path.Dir(from), e.Kernel)
			for i := range e.Initrds {
				e.Initrds[i] = path.Join(path.Dir(from), e.Initrds[i])
			}
		}
		o.all = append(o.all, offer{Entry: e, from: from, at: where})
	}
	if len(m.Entries) > 0 || m.Listed {
		o.menus++
	}
}

// grubListed is what a grub.cfg says of the entries of the Boot Loader Specification.
type grubListed struct {
	names bool
	first string
	env   map[string]string
}

// grub adds what GRUB offers.
func (s *system) grub(o *offers) grubListed {
	var listed grubListed
	for _, at := range s.grubFolders(o) {
		text, err := at.here.text(at.folder + "/grub.cfg")
		if err != nil {
			o.unsure(err)
			continue
		}
		env, err := at.here.text(at.folder + "/grubenv")
		m := boots.ReadGrub(text, boots.ReadEnv(env))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			m = m.NoFirst()
		}
		if m.Sources && (at.here.has(at.folder+"/custom.cfg") || at.here.has(at.folder+"/user.cfg")) {
			m = m.NoFirst()
		}
		if m.Listed {
			m.First = -1
			listed = grubListed{true, m.Default, boots.ReadEnv(env)}
		}
		name := at.folder + "/grub.cfg"
		o.menu(m, name, at.here, volumeOf(at.here, name), s.mounted)
	}
	return listed
}

// folder is one below a place.
type folder struct {
	here   *place
	folder string
}

// grubFolders are where a grub.cfg is: in /boot, and on system partitions, where most
// only lead to that one and offer nothing.
func (s *system) grubFolders(o *offers) []folder {
	list := []folder{{s.here, "/boot/grub"}, {s.here, "/boot/grub2"}}
	for _, esp := range s.systemPartitions() {
		vendors, err := esp.list("/EFI")
		o.unsure(err)
		for _, vendor := range vendors {
			list = append(list, folder{esp, "/EFI/" + vendor})
		}
	}
	return list
}

func (s *system) systemPartitions() []*place {
	var list []*place
	for _, v := range s.all {
		if v.ESP {
			list = append(list, v.alone())
		}
	}
	return list
}

// entriesMost bounds the entries of a folder.
const entriesMost = 200

// listed adds the entries of the Boot Loader Specification, and unified kernel images.
// Those that GRUB reads are one menu with its own.
func (s *system) listed(o *offers, grub grubListed) {
	seen := map[*volume]bool{}
	add := func(at folder) int {
		n, err := at.here.find(at.folder)
		if err != nil || n.v == nil || seen[n.v] {
			o.unsure(err)
			return 0
		}
		seen[n.v] = true
		names, err := at.here.list(at.folder)
		o.unsure(err)
		before := len(o.all)
		for _, name := range names {
			if !strings.HasSuffix(name, ".conf") {
				continue
			}
			from := at.folder + "/" + name
			if len(o.all)-before == entriesMost {
				o.unsure(fmt.Errorf("%s has more than %d entries", at.folder, entriesMost))
				break
			}
			text, err := at.here.text(from)
			e := boots.ReadEntry(name, text, grub.env)
			if err != nil {
				e.Gap = err.Error()
			}
			if grub.names && e.ID == grub.first {
				o.first = len(o.all)
			}
			o.all = append(o.all, offer{Entry: e, from: from, at: n.v.alone()})
		}
		return len(o.all) - before
	}
	inBoot, others := add(folder{s.here, "/boot/loader/entries"}), 0
	for _, esp := range s.systemPartitions() {
		others += add(folder{esp, "/loader/entries"})
		images, err := esp.list("/EFI/Linux")
		o.unsure(err)
		for _, name := range images {
			if strings.EqualFold(path.Ext(name), ".efi") {
				o.all = append(o.all, oneFile(esp, name, images))
				others++
			}
		}
	}
	if others > 0 || inBoot > 0 && !grub.names {
		o.menus++
	}
}

// oneFile is a unified kernel image. What lies beside it adds to it (systemd-stub(7)).
func oneFile(esp *place, name string, beside []string) offer {
	e := offer{Entry: boots.Entry{ID: name, Kernel: "/EFI/Linux/" + name}, from: "/EFI/Linux/" + name, at: esp}
	n, err := esp.find(e.Kernel)
	var r io.ReaderAt
	if err == nil {
		r, err = n.v.tree.Open(n.number)
	}
	if err == nil {
		e.one, err = openUnified(r)
	}
	switch {
	case err != nil:
		e.Gap = "no unified kernel image that can be read: " + err.Error()
	case slices.ContainsFunc(beside, func(other string) bool { return strings.EqualFold(other, name+".extra.d") }) || esp.has("/loader/addons"):
		e.Gap = "files beside it add to what it starts"
	default:
		e.Line = e.one.line
	}
	return e
}

// bare adds the kernels that lie in /boot, where no loader's file is known.
func (s *system) bare(o *offers) {
	names, err := s.here.list("/boot")
	o.unsure(err)
	for _, name := range names {
		suffix, ok := strings.CutPrefix(name, "vmlinuz")
		if !ok {
			continue
		}
		e := boots.Entry{ID: name, Kernel: "/boot/" + name}
		for _, image := range []string{"initrd.img" + suffix, "initramfs" + suffix + ".img", "initrd" + suffix, "initramfs" + suffix} {
			if slices.Contains(names, image) {
				e.Initrds = []string{"/boot/" + image}
				break
			}
		}
		if e.Initrds == nil {
			e.Gap = "no initramfs for it is known"
		}
		o.all = append(o.all, offer{Entry: e, from: "/boot", at: s.here, bare: true})
	}
}
