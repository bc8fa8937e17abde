package sysfs

import (
	"context"
	"errors"
	"path"
	"regexp"
	"strings"
	"sync"

	"lendkeep/reconcile/facts"
)

// nvmeClass has a link for each NVMe controller.
const nvmeClass = "sys/class/nvme"

// Names of the kernel's nvme driver (drivers/nvme/host/core.c, multipath.c):
// nvme0n1 is a namespace. Where a namespace can be reached through more than
// one controller, nvme0c1n1 is the hidden path to it through controller 1.
var (
	namespaceName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^nvme\d+n\d+$`) })
	hiddenName    = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(nvme\d+)c\d+(n\d+)$`) })
)

// listNVMe finds the NVMe controllers and reads their serials, by which the one
// that is meant is found.
func (s *survey) listNVMe() {
	area := s.whole(nvmeClass)
	for _, name := range area.names("functions.nvme") {
		dir, err := s.target(nvmeClass + "/" + name)
		if err != nil {
			area.gap("functions.nvme", name, err)
			continue
		}
		// Another parent than an address: over a network, or behind VMD.
		if at, err := facts.ParseAddress(path.Base(path.Dir(path.Dir(dir)))); err == nil {
			s.findNVMe(area, at, name, dir)
		} else if facts.NearestFunction(dir) == nil {
			s.fabrics = append(s.fabrics, name)
		}
	}
}

func (s *survey) findNVMe(area place, at facts.Address, name, dir string) {
	f := s.function(at)
	if f == nil {
		area.gap("functions.nvme", name, errors.New("its function is not below /"+devicesDir))
		return
	}
	p := place{&s.reader, dir, &f.Gaps}
	s.functions[at].nvmeDir = dir
	f.NVMe = &facts.NVMe{Name: name}
	f.NVMe.Serial = p.text("nvme.serial", "serial")
	if f.NVMe.Serial == "" && f.Gap("nvme.serial") == nil {
		p.gap("nvme.serial", "serial", errors.New("it is blank"))
	}
}

// readNVMe reads what else those controllers say of themselves that matter. It
// needs the block devices.
func (s *survey) readNVMe(context.Context) {
	for i := range s.out.Functions {
		f := &s.out.Functions[i]
		switch found := s.functions[f.Address]; {
		case !found.asked:
		case f.NVMe != nil:
			s.addNVMe(f, found.nvmeDir)
		case f.Driver == "nvme":
			p := place{&s.reader, nvmeClass, &f.Gaps}
			p.gap("nvme", "", errors.New("the nvme driver holds the function, but no controller is listed for it"))
		}
	}
}

func (s *survey) addNVMe(f *facts.Function, dir string) {
	p := place{&s.reader, dir, &f.Gaps}
	f.NVMe.Model = p.text("nvme.model", "model")
	f.NVMe.Firmware = p.text("nvme.firmware", "firmware_rev")
	f.NVMe.NQN, _ = p.textIfAny("nvme.nqn", "subsysnqn")
	f.NVMe.State = p.text("nvme.state", "state")
	children, err := s.list(dir)
	if err != nil {
		p.gap("nvme.namespaces", "", err)
	}
	for _, child := range children {
		if namespaceName().MatchString(child) || hiddenName().MatchString(child) {
			f.NVMe.Namespaces = append(f.NVMe.Namespaces, s.readNamespace(p, child))
		}
	}
}

// readNamespace reads a namespace at the controller; its size is that of the
// block device that can be used, which sits elsewhere where there are paths.
func (s *survey) readNamespace(p place, child string) facts.Namespace {
	n := facts.Namespace{Block: usable(child)}
	if i, there := s.blocks[n.Block]; there {
		b := &s.out.Blocks[i]
		n.SizeBytes, n.SectorBytes = b.SizeBytes, b.SectorBytes
		p.share("nvme.namespaces", b.Gaps, "size_bytes", "sector_bytes")
	} else {
		p.gap("nvme.namespaces", child, errors.New("its block device is not below /"+blockClass))
	}
	p.dir = path.Join(p.dir, child)
	n.ID = int(p.number("nvme.namespaces", "nsid", 10, 31))
	// An identifier that the drive leaves at zero has no file.
	eui, _ := p.textIfAny("nvme.namespaces", "eui")
	nguid, _ := p.textIfAny("nvme.namespaces", "nguid")
	n.EUI64 = strings.ReplaceAll(eui, " ", "")
	n.NGUID = strings.ReplaceAll(nguid, "-", "")
	n.UUID, _ = p.textIfAny("nvme.namespaces", "uuid")
	n.WWID, _ = p.textIfAny("nvme.namespaces", "wwid")
	return n
}

// usable gives the namespace that a hidden path leads to, and any other name as
// it is.
func usable(name string) string {
	if parts := hiddenName().FindStringSubmatch(name); parts != nil {
		return parts[1] + parts[2]
	}
	return name
}
