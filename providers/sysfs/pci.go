package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// devicesDir has a link for each PCI function.
const devicesDir = "sys/bus/pci/devices"

// readFunctions reads every PCI function (Documentation/ABI/testing/sysfs-bus-pci).
func (s *survey) readFunctions(ctx context.Context) {
	s.functions = map[facts.Address]int{}
	area := s.whole(devicesDir)
	names, err := s.list(devicesDir)
	if err != nil {
		area.gap("functions", "", err)
	}
	slots := s.slots()
	for _, name := range names {
		if ctx.Err() != nil {
			return
		}
		at, err := facts.ParseAddress(name)
		if behindVMD(name) {
			continue
		}
		if err != nil {
			area.gap("functions", name, err)
			continue
		}
		f := s.readFunction(at)
		f.Slot = slots[name[:len(name)-2]]
		s.functions[at] = len(s.out.Functions)
		s.out.Functions = append(s.out.Functions, f)
	}
	s.checkGroups()
}

// behindVMD tells whether a function is in a segment that a VMD controller made
// up; their numbers begin at 0x10000. It cannot be lent by itself, and what
// hangs on it counts as hanging on the controller (Linux
// drivers/pci/controller/vmd.c).
func behindVMD(name string) bool {
	return strings.Index(name, ":") > 4
}

func (s *survey) readFunction(at facts.Address) facts.Function {
	f := facts.Function{Address: at}
	link := devicesDir + "/" + at.String()
	dir, err := s.target(link)
	p := place{&s.reader, dir, &f.Gaps}
	if err != nil {
		p.dir = link
		p.gap("upstream", "", err)
	} else {
		f.Upstream = nearestFunction(path.Dir(dir))
	}
	f.Vendor = spec.PCIID(p.number("vendor", "vendor", 0, 16))
	f.Device = spec.PCIID(p.number("device", "device", 0, 16))
	f.SubsystemVendor = spec.PCIID(p.number("subsystem_vendor", "subsystem_vendor", 0, 16))
	f.SubsystemDevice = spec.PCIID(p.number("subsystem_device", "subsystem_device", 0, 16))
	f.Class = uint32(p.number("class", "class", 0, 24))
	f.Revision = uint8(p.number("revision", "revision", 0, 8))
	f.Driver = driver(p)
	f.DriverOverride, _ = p.textIfAny("driver_override", "driver_override")
	if f.DriverOverride == "(null)" { // how the kernel prints no text at all
		f.DriverOverride = ""
	}
	f.Group = group(p)
	f.NUMANode = numaNode(p)
	f.LocalCPUs, _ = p.textIfAny("local_cpus", "local_cpulist")
	f.Link = link4(p)
	f.ResetMethods = resetMethods(p)
	f.PowerState, _ = p.textIfAny("power_state", "power_state")
	cold, _ := p.textIfAny("d3cold_allowed", "d3cold_allowed")
	f.D3cold = cold == "1"
	f.BARs = bars(p)
	readConfig(p, &f)
	return f
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

// link4 reads the four files about the link, which are there for PCI Express
// only. Where all of them are absent, or say nothing, there is no link.
func link4(p place) *facts.Link {
	files := []string{"current_link_speed", "current_link_width", "max_link_speed", "max_link_width"}
	var values [4]int
	var absent []string
	for i, name := range files {
		text, there := p.textIfAny("link", name)
		if !there {
			absent = append(absent, name)
			continue
		}
		parse := linkSpeed
		if strings.HasSuffix(name, "width") {
			parse = linkWidth
		}
		value, err := parse(text)
		if err != nil {
			p.gap("link", name, err)
		}
		values[i] = value
	}
	if len(absent) > 0 && len(absent) < len(files) {
		p.gap("link", absent[0], fs.ErrNotExist)
	}
	if values == [4]int{} {
		return nil
	}
	return &facts.Link{SpeedMTps: values[0], Width: values[1], MaxSpeedMTps: values[2], MaxWidth: values[3]}
}

// linkSpeed reads "8.0 GT/s PCIe", or "Unknown" as 0.
func linkSpeed(text string) (int, error) {
	if text == "" || strings.HasPrefix(text, "Unknown") {
		return 0, nil
	}
	number, _, found := strings.Cut(text, " GT/s")
	speed, err := strconv.ParseFloat(number, 64)
	if !found || err != nil || !(speed >= 0 && speed <= 1000) {
		return 0, unexpected(text)
	}
	return int(math.Round(speed * 1000)), nil
}

// linkWidth reads a number of lanes. More than 32 cannot be: the register is
// read as all ones when the device does not answer.
func linkWidth(text string) (int, error) {
	if text == "" {
		return 0, nil
	}
	width, err := strconv.ParseUint(text, 10, 8)
	if err != nil {
		return 0, unexpected(text)
	}
	if width > 32 {
		return 0, nil
	}
	return int(width), nil
}

// Flags of a region in the file resource (Linux include/linux/ioport.h).
const (
	regionIO    = 0x00000100
	regionUnset = 0x20000000
)

// bars reads the file resource: a line of start, end and flags for each region,
// the base address registers first.
func bars(p place) []facts.BAR {
	content, err := p.read(p.dir + "/resource")
	if err != nil {
		p.gap("bars", "resource", err)
		return nil
	}
	var list []facts.BAR
	lines := strings.Split(string(content), "\n")
	for i := range 6 {
		if i >= len(lines)-1 {
			p.gap("bars", "resource", errors.New("it has fewer than six lines"))
			return list
		}
		bar, used, err := region(lines[i])
		if err != nil {
			p.gap("bars", "resource", err)
			return list
		}
		if bar.Index = i; used {
			list = append(list, bar)
		}
	}
	return list
}

func region(line string) (bar facts.BAR, used bool, err error) {
	var values [3]uint64
	fields := strings.Fields(line)
	for i := range values {
		if len(fields) != len(values) {
			return bar, false, unexpected(line)
		}
		if values[i], err = strconv.ParseUint(fields[i], 0, 64); err != nil {
			return bar, false, unexpected(line)
		}
	}
	start, end, flags := values[0], values[1], values[2]
	used = end > start && flags&regionUnset == 0
	return facts.BAR{Start: start, SizeBytes: end - start + 1, IO: flags&regionIO != 0}, used, nil
}

// slots gives the physical slot of each address without its function. An
// address may also lack the device number; then the slot is a whole bus.
func (s *survey) slots() map[string]string {
	const dir = "sys/bus/pci/slots"
	slots := map[string]string{}
	area := s.whole(dir)
	names, err := s.list(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		area.gap("functions.slot", "", err)
	}
	for _, name := range names {
		address := area.text("functions.slot", name+"/address")
		if strings.Count(address, ":") == 1 {
			address += ":00"
		}
		slots[address] = name
	}
	return slots
}

// checkGroups holds the groups' own lists against the functions' links: a
// member that is not seen could keep its group from being lent.
func (s *survey) checkGroups() {
	const dir = "sys/kernel/iommu_groups"
	area := s.whole(dir)
	groups, err := s.list(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		area.gap("functions", "", err)
	}
	for _, number := range groups {
		members, err := s.list(path.Join(dir, number, "devices"))
		if err != nil {
			area.gap("functions", number+"/devices", err)
		}
		for _, member := range members {
			s.checkMember(area, number, member)
		}
	}
}

func (s *survey) checkMember(area place, number, member string) {
	at, err := facts.ParseAddress(member)
	if err != nil {
		return // a device of another bus
	}
	where := path.Join(number, "devices", member)
	f := s.function(at)
	switch {
	case f == nil:
		area.gap("functions", where, errors.New("this function is not below /"+devicesDir))
	case f.Group == nil && f.Gap("group") == nil:
		area.gaps = &f.Gaps
		area.gap("group", where, errors.New("it is listed here but has no link to the group"))
	}
}
