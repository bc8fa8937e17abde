package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// devicesDir has a link for each PCI function.
const devicesDir = "sys/bus/pci/devices"

// found is a function that is there.
type found struct {
	index   int    // in out.Functions
	dir     string // its real directory, or the link to that
	nvmeDir string // of the NVMe controller that it is; empty: none is listed
	asked   bool   // it was read
	unlike  bool   // its kind was looked at, and is that of nothing that is asked for
}

// readFunctions reads every PCI function that matters (Documentation/ABI/testing/
// sysfs-bus-pci), and of each that it is there.
func (s *survey) readFunctions(ctx context.Context) {
	s.functions = map[facts.Address]*found{}
	area := s.whole(devicesDir)
	names, err := s.list(devicesDir)
	if err != nil {
		area.gap("functions", "", err)
	}
	for _, name := range names {
		at, err := facts.ParseAddress(name)
		if behindVMD(name) {
			continue
		}
		if err != nil {
			area.gap("functions", name, err)
			continue
		}
		s.findFunction(at)
	}
	s.listNVMe()
	slots := s.slots()
	for ask := s.chosen(); len(ask) > 0; ask = s.chosen() {
		for _, at := range ask {
			if ctx.Err() != nil {
				return
			}
			f, found, name := s.function(at), s.functions[at], at.String()
			s.readFunction(place{&s.reader, found.dir, &f.Gaps}, f)
			f.Slot, found.asked = slots[name[:len(name)-2]], true
		}
	}
	s.numberVirtuals()
	s.passOver()
	s.checkGroups()
}

// behindVMD tells whether a function is in a segment that a VMD controller made
// up; their numbers begin at 0x10000. It cannot be lent by itself, and what
// hangs on it counts as hanging on the controller (Linux
// drivers/pci/controller/vmd.c).
func behindVMD(name string) bool {
	return strings.Index(name, ":") > 4
}

// findFunction notes a function, and what links say of it. Its real directory
// tells what it sits below: /sys/devices/pci0000:00/0000:00:04.0/0000:01:00.0.
func (s *survey) findFunction(at facts.Address) {
	f := facts.Function{Address: at}
	link := devicesDir + "/" + at.String()
	dir, err := s.target(link)
	p := place{&s.reader, dir, &f.Gaps}
	if err != nil {
		p.dir = link // the rest can still be read through the link
		p.gap("upstream", "", err)
	} else {
		f.Upstream = facts.NearestFunction(path.Dir(dir))
	}
	f.Group = group(p)
	s.functions[at] = &found{index: len(s.out.Functions), dir: p.dir}
	s.out.Functions = append(s.out.Functions, f)
}

// readFunction reads the rest of one function.
func (s *survey) readFunction(p place, f *facts.Function) {
	readIdentity(p, f)
	f.Driver = driver(p)
	f.DriverOverride, _ = p.textIfAny("driver_override", "driver_override")
	if f.DriverOverride == "(null)" { // how the kernel prints no text at all
		f.DriverOverride = ""
	}
	f.NUMANode = numaNode(p)
	f.LocalCPUs, _ = p.textIfAny("local_cpus", "local_cpulist")
	f.Link = linkOf(p)
	f.ResetMethods = resetMethods(p)
	f.PowerState, _ = p.textIfAny("power_state", "power_state")
	cold, _ := p.textIfAny("d3cold_allowed", "d3cold_allowed")
	f.D3cold = cold == "1"
	readVirtual(p, f)
	regions(p, f)
	resizable(p, f)
	first, _ := p.textIfAny("boot_vga", "boot_vga")
	f.BootVGA = first == "1"
	readConfig(p, f)
}

// readIdentity reads what kind of function it is.
func readIdentity(p place, f *facts.Function) {
	f.Vendor = pci.ID(p.number("vendor", "vendor", 0, 16))
	f.Device = pci.ID(p.number("device", "device", 0, 16))
	f.SubsystemVendor = pci.ID(p.number("subsystem_vendor", "subsystem_vendor", 0, 16))
	f.SubsystemDevice = pci.ID(p.number("subsystem_device", "subsystem_device", 0, 16))
	f.Class = uint32(p.number("class", "class", 0, 24))
	f.Revision = uint8(p.number("revision", "revision", 0, 8))
}

// driver gives the driver that holds a function. The absence of the link alone
// does not say that there is none: uevent has to agree.
func driver(p place) string {
	to, err := p.fsys.ReadLink(p.dir + "/driver")
	if err == nil {
		return path.Base(to)
	}
	if !errors.Is(err, fs.ErrNotExist) {
		p.gap("driver", "driver", err)
		return ""
	}
	event, err := p.read(p.dir + "/uevent")
	if err != nil {
		p.gap("driver", "uevent", err)
		return ""
	}
	for line := range strings.Lines(string(event)) {
		if name, found := strings.CutPrefix(strings.TrimSpace(line), "DRIVER="); found {
			p.gap("driver", "driver", fmt.Errorf("no link, but uevent names the driver %s", name))
		}
	}
	return ""
}

// group gives the IOMMU group, the last element of a link's target; nil is none.
func group(p place) *int {
	name := p.link("group", "iommu_group")
	if name == "" {
		return nil
	}
	number, err := strconv.Atoi(name)
	if err != nil {
		p.gap("group", "iommu_group", unexpected(name))
		return nil
	}
	return &number
}

// numaNode gives -1 where the kernel says so, or was built without NUMA.
func numaNode(p place) int {
	text, there := p.textIfAny("numa_node", "numa_node")
	if text == "" {
		return -1
	}
	node, err := strconv.Atoi(text)
	if there && err != nil {
		p.gap("numa_node", "numa_node", unexpected(text))
		return -1
	}
	return node
}

// resetMethods gives the ways to reset a function. Absent means that there is
// none, empty that somebody has forbidden all.
func resetMethods(p place) []string {
	content, err := p.read(p.dir + "/reset_method")
	if err == nil && len(content) > 0 && !ended(content) {
		err = errCut
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		p.gap("reset_method", "reset_method", err)
	}
	if err != nil {
		return nil
	}
	return strings.Fields(string(content))
}
