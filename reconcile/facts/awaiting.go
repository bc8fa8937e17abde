package facts

import (
	"fmt"
	"path"
	"slices"
	"strings"
	"unicode/utf8"
)

// Awaiting is a guest or pool that names a device which is not there yet.
type Awaiting struct {
	Kind  UseKind // UseGuest or UsePool
	User  string
	Named string // the path, as the definition has it
	Live  bool   // the guest runs, or the pool is active
	Entry Entry  // of the partition that it will be
}

// Awaits lists who will have a partition once there is one of any of these names
// below /dev: nobody is seen as its user before.
func (ix *Index) Awaits(names map[string]Entry) []Awaiting {
	var list []Awaiting
	add := func(a Awaiting) {
		var will bool
		if a.Entry, will = names[path.Clean(a.Named)]; !will {
			a.Entry, will = names[path.Clean(ix.resolved(a.Named))]
		}
		if will && ix.Device(a.Named) == nil && !slices.Contains(list, a) {
			list = append(list, a)
		}
	}
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			for _, named := range d.Paths() {
				add(Awaiting{Kind: UseGuest, User: g.Name, Named: named, Live: g.Running})
			}
			for _, disk := range d.Disks {
				add(Awaiting{Kind: UseGuest, User: g.Name, Named: ix.SourceOf(disk), Live: g.Running})
			}
		}
	}
	for _, p := range ix.Survey.Libvirt.Pools {
		for _, source := range p.Sources {
			add(Awaiting{Kind: UsePool, User: p.Name, Named: source, Live: p.Active})
		}
	}
	return list
}

// Names lists the paths below /dev under which a partition of this drive is found
// once its table has that entry: the kernel's (Linux block/partitions/core.c:
// a "p" goes between where the drive's name ends in a digit), and those that udev
// gives it (systemd rules.d/60-persistent-storage.rules). A zero volume has no
// names of its own.
func (b *Block) Names(e Entry, v Volume) []string {
	between := ""
	if last := b.Name[len(b.Name)-1]; last >= '0' && last <= '9' {
		between = "p"
	}
	list := []string{fmt.Sprintf("/dev/%s%s%d", b.Name, between, e.Number)}
	for _, link := range b.Links {
		list = append(list, fmt.Sprintf("/dev/%s-part%d", strings.TrimPrefix(link, "/dev/"), e.Number))
	}
	udev := func(folder, name string) {
		if name != "" {
			list = append(list, "/dev/disk/"+folder+"/"+encoded(name))
		}
	}
	udev("by-partuuid", strings.ToLower(e.ID))
	udev("by-partlabel", e.Name)
	if s := v.Signature; s != nil {
		udev("by-uuid", s.UUID)
		udev("by-label", s.Label)
	}
	return list
}

// encoded writes a name as udev does in a link (systemd src/shared/device-nodes.c,
// encode_devnode_name).
func encoded(name string) string {
	var text strings.Builder
	for len(name) > 0 {
		r, n := utf8.DecodeRuneInString(name)
		switch {
		case n > 1, r < utf8.RuneSelf && (r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || strings.ContainsRune("#+-.:=@_", r)):
			text.WriteString(name[:n])
		default:
			fmt.Fprintf(&text, `\x%02x`, name[0])
		}
		name = name[n:]
	}
	return text.String()
}
