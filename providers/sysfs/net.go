package sysfs

import (
	"context"
	"errors"
	"io/fs"
	"path"
	"slices"
	"strings"
	"syscall"

	"lendkeep/reconcile/facts"
)

// flagUp is set in an interface's flags once somebody has configured it
// (Linux include/uapi/linux/if.h, IFF_UP).
const flagUp = 1

const netClass = "sys/class/net"

// maxBuilt is how many interfaces are told of that are built on one.
const maxBuilt = 256

// readInterfaces finds the function below each network interface; a virtio card
// has its interface two directories further down than others.
func (s *survey) readInterfaces(context.Context) {
	area := s.whole(netClass)
	entries, err := fs.ReadDir(s.fsys, netClass)
	if err != nil {
		area.gap("functions.network_interfaces", "", err)
	}
	var net *network
	for _, entry := range entries {
		if entry.Type() != fs.ModeSymlink {
			continue // bonding_masters is a file
		}
		real, err := s.target(netClass + "/" + entry.Name())
		if err != nil {
			area.gap("functions.network_interfaces", entry.Name(), err)
			continue
		}
		at := facts.NearestFunction(real)
		if at == nil {
			continue
		}
		if f := s.function(*at); f != nil && s.functions[*at].asked {
			if net == nil {
				net = s.readNetwork()
			}
			if len(f.Interfaces) == 0 {
				f.Gaps = append(f.Gaps, net.gaps...)
			}
			f.Interfaces = append(f.Interfaces, net.card(place{&s.reader, real, &f.Gaps}, entry.Name()))
		}
	}
	s.missInterfaces()
}

var errElsewhere = errors.New("a driver of the host's has it, but not every interface of it is in this network namespace: another one may have it")

// missInterfaces notes of each network controller with a driver that shows no
// interface that one may be elsewhere: the kernel shows those of its own network
// namespace only (Linux net/core/net-sysfs.c, net_ns_type_operations; class 02 of
// the PCI Code and ID Assignment Specification).
func (s *survey) missInterfaces() {
	for at, found := range s.functions {
		f := s.function(at)
		if found.asked && f.Class>>16 == 2 && f.Driver != "" && !f.OnVFIO() && !f.Stubbed() && len(f.Interfaces) == 0 {
			p := place{&s.reader, netClass, &f.Gaps}
			p.gap(facts.GapInterfaces, "", errElsewhere)
		}
	}
}

// elsewhere notes that not all network interfaces in a folder of a device's are of this
// network namespace. The folder is there as long as one is in it, counts all of them as
// its links, and lists those of this one (Linux drivers/base/core.c,
// cleanup_glue_dir; fs/kernfs/inode.c, kernfs_refresh_inode: two links and one for each;
// fs/kernfs/dir.c, kernfs_fop_readdir). Captured trees count none.
func (w *belowWalk) elsewhere(dir string) {
	entries, err := fs.ReadDir(w.fsys, dir)
	var stat fs.FileInfo
	if err == nil {
		stat, err = w.fsys.Lstat(dir)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		w.gap(facts.GapInterfaces, strings.TrimPrefix(dir, w.dir), err)
	case len(entries) == 0 || interfacesIn(stat) > len(entries):
		w.gap(facts.GapInterfaces, strings.TrimPrefix(dir, w.dir), errElsewhere)
	}
}

// interfacesIn gives how many network interfaces a folder of them counts; 0 where it
// does not say.
func interfacesIn(folder fs.FileInfo) int {
	if stat, known := folder.Sys().(*syscall.Stat_t); known {
		return int(stat.Nlink) - 2
	}
	return 0
}

// card reads one interface. Unknown means in use.
func (n *network) card(p place, name string) facts.Interface {
	before := len(*p.gaps)
	flags := p.number(facts.GapInterfaces, "flags", 0, 32)
	unknown := len(*p.gaps) > before || len(n.gaps) > 0
	return facts.Interface{Name: name, Up: flags&flagUp != 0 || unknown,
		Addresses: n.addresses[name], Passing: n.passing[name], Default: n.gateways[name], Routes: n.routes[name], Built: n.built(p, name)}
}

// built follows everything that is built on an interface: the kernel links it as
// upper_NAME, and a bridge or bond as master too (Linux net/core/dev.c,
// netdev_adjacent_sysfs_add; Documentation/ABI/testing/sysfs-class-net).
func (n *network) built(p place, card string) []facts.Built {
	var list []facts.Built
	seen := map[string]bool{card: true}
	for ask := []string{card}; len(ask) > 0; ask = ask[1:] {
		on := ask[0]
		for _, name := range uppers(p, on) {
			if seen[name] || len(list) == maxBuilt {
				continue
			}
			seen[name] = true
			ask = append(ask, name)
			list = append(list, facts.Built{Name: name, On: on, Kind: deviceKind(p, name), Addresses: n.addresses[name], Default: n.gateways[name]})
		}
	}
	return list
}

// uppers gives what is built on an interface right away.
func uppers(p place, name string) []string {
	p.dir = netClass + "/" + name
	if real, err := p.target(p.dir); err == nil {
		p.dir = real
	}
	var list []string
	for _, entry := range p.names(facts.GapInterfaces) {
		if upper, found := strings.CutPrefix(entry, "upper_"); found {
			list = append(list, upper)
		}
	}
	if master := p.link(facts.GapInterfaces, "master"); master != "" && !slices.Contains(list, master) {
		list = append(list, master)
	}
	return list
}

// deviceKind gives what an interface says it is (Linux include/linux/netdevice.h,
// SET_NETDEV_DEVTYPE); empty: nothing.
func deviceKind(p place, name string) string {
	content, err := p.read(path.Join(netClass, name, "uevent"))
	if err != nil {
		return "" // its name tells enough
	}
	for line := range strings.Lines(string(content)) {
		if kind, found := strings.CutPrefix(strings.TrimSpace(line), "DEVTYPE="); found {
			return kind
		}
	}
	return ""
}
