package sysfs

import (
	"context"
	"io/fs"

	"lendkeep/reconcile/facts"
)

// flagUp is set in an interface's flags once somebody has configured it
// (Linux include/uapi/linux/if.h, IFF_UP).
const flagUp = 1

// readInterfaces finds the function below each network interface; a virtio card
// has its interface two directories further down than others.
func (s *survey) readInterfaces(context.Context) {
	const dir = "sys/class/net"
	area := s.whole(dir)
	entries, err := fs.ReadDir(s.fsys, dir)
	if err != nil {
		area.gap("functions.network_interfaces", "", err)
	}
	for _, entry := range entries {
		if entry.Type() != fs.ModeSymlink {
			continue // bonding_masters is a file
		}
		real, err := s.target(dir + "/" + entry.Name())
		if err != nil {
			area.gap("functions.network_interfaces", entry.Name(), err)
			continue
		}
		at := facts.NearestFunction(real)
		if at == nil {
			continue
		}
		if f := s.function(*at); f != nil && s.functions[*at].asked {
			f.Interfaces = append(f.Interfaces, readInterface(place{&s.reader, real, &f.Gaps}, entry.Name()))
		}
	}
}

// readInterface reads whether an interface is up; unknown means in use.
func readInterface(p place, name string) facts.Interface {
	before := len(*p.gaps)
	flags := p.number("network_interfaces", "flags", 0, 32)
	return facts.Interface{Name: name, Up: flags&flagUp != 0 || len(*p.gaps) > before}
}
