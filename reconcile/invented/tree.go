package invented

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Tree gives a host as its kernel and udev would show it, as an archive of the
// root directory (testdata/hosts/README.md): what the guard asks for, and gaps that
// say what could not be read. What only libvirt, the kernel's own answers and looks
// into drives tell is not in it, nor where paths lead.
func Tree(s *facts.Survey) []byte {
	t := tree{s: s, files: map[string]string{}, dirs: map[string]string{}}
	t.text("proc/version", "Linux version "+s.Machine.Kernel+" (invented)")
	t.folder("sys/module/kernel")
	t.folder("sys/class/nvme")
	t.folder("sys/class/net")
	t.folder("sys/bus/pci/devices")
	if s.Machine.ZFS {
		t.folder("sys/module/zfs")
	}
	for i := range s.Functions {
		t.function(&s.Functions[i])
	}
	t.blocks()
	t.mounts()
	t.swaps()
	t.gaps()
	return t.archive()
}

type tree struct {
	s     *facts.Survey
	files map[string]string // entries by their mark
	dirs  map[string]string // of functions and block devices
}

func (t *tree) text(name, content string) { t.files[name] = content + "\n" }
func (t *tree) folder(name string)        { t.files[name+"/"] = "" }
func (t *tree) link(name, to string)      { t.files[name+" -> "+"/"+to] = "" }

// refuse makes something unreadable, whatever it is.
func (t *tree) refuse(name, reason string) {
	for other := range t.files {
		if other == name || other == name+"/" || strings.HasPrefix(other, name+"/") || strings.HasPrefix(other, name+" -> ") {
			delete(t.files, other)
		}
	}
	t.text(name+" (unreadable)", reason)
}

func (t *tree) archive() []byte {
	var text strings.Builder
	names := make([]string, 0, len(t.files))
	for name := range t.files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if bare, folder := strings.CutSuffix(name, "/"); folder && slices.ContainsFunc(names, func(other string) bool { return other != name && strings.HasPrefix(other, bare+"/") }) {
			continue // it is there with what is in it
		}
		fmt.Fprintf(&text, "-- %s --\n%s", name, t.files[name])
	}
	text.WriteString("-- (end) --\n")
	return []byte(text.String())
}

// dirOf gives the real directory of a function, below whatever it is below.
func (t *tree) dirOf(at facts.Address) string {
	i := slices.IndexFunc(t.s.Functions, func(f facts.Function) bool { return f.Address == at })
	if i >= 0 && t.s.Functions[i].Upstream != nil {
		return t.dirOf(*t.s.Functions[i].Upstream) + "/" + at.String()
	}
	return fmt.Sprintf("sys/devices/pci%04x:00/%s", at.Segment, at)
}

func (t *tree) function(f *facts.Function) {
	dir, name := t.dirOf(f.Address), f.Address.String()
	t.link("sys/bus/pci/devices/"+name, dir)
	for file, value := range map[string]string{
		"vendor": fmt.Sprintf("0x%04x", uint16(f.Vendor)), "device": fmt.Sprintf("0x%04x", uint16(f.Device)),
		"subsystem_vendor": fmt.Sprintf("0x%04x", uint16(f.SubsystemVendor)), "subsystem_device": fmt.Sprintf("0x%04x", uint16(f.SubsystemDevice)), "class": fmt.Sprintf("0x%06x", f.Class), "revision": "0x00",
		"uevent": fmt.Sprintf("PCI_CLASS=%X", f.Class), "reset_method": strings.Join(f.ResetMethods, " "),
		"resource": strings.TrimSuffix(strings.Repeat("0x0 0x0 0x0\n", 7), "\n"), "driver_override": f.DriverOverride,
	} {
		t.text(dir+"/"+file, value)
	}
	t.files[dir+"/config (hex)"] = configOf(f)
	if f.Driver != "" {
		t.link(dir+"/driver", "sys/bus/pci/drivers/"+f.Driver)
	}
	if f.Parent != nil {
		t.link(dir+"/physfn", t.dirOf(*f.Parent))
	}
	t.virtual(dir, f)
	if f.Group != nil {
		group := fmt.Sprintf("sys/kernel/iommu_groups/%d", *f.Group)
		t.link(dir+"/iommu_group", group)
		t.link(group+"/devices/"+name, dir)
	}
	if f.Slot != "" {
		t.text("sys/bus/pci/slots/"+f.Slot+"/address", name[:len(name)-2])
	}
	for _, card := range f.Interfaces {
		t.link("sys/class/net/"+card.Name, dir+"/net/"+card.Name)
		t.card(dir+"/net/"+card.Name, card)
	}
	for _, a := range f.Attached {
		t.attached(dir, a)
	}
	for _, class := range f.Shows {
		t.link(dir+"/"+class+"/"+class+"0/subsystem", "sys/class/"+class)
	}
	if f.NVMe != nil {
		t.nvme(dir+"/nvme/"+f.NVMe.Name, f.NVMe)
	}
}

// configOf writes the config space: its header, and where the function has a device
// serial number the capability PCI Express, and the extended one that has it.
func configOf(f *facts.Function) string {
	kind := f.HeaderType
	if f.MultiFunction {
		kind |= 0x80
	}
	header := fmt.Sprintf("000000 %028x%02x00\n", 1, kind)
	if f.DeviceSerial == "" {
		return header + "size 256\n"
	}
	var number []string // as it is read, the lowest first
	for _, pair := range slices.Backward(strings.Split(f.DeviceSerial, "-")) {
		number = append(number, pair)
	}
	header = fmt.Sprintf("000000 %012x1000%012x%02x00\n", 1, 0, kind)
	return header + "000030 00000000400000000000000000000000\n000040 10000000000000000000000000000000\n" +
		"000100 03000100" + strings.Join(number, "") + "00000000\nsize 4096\n"
}

func (t *tree) nvme(dir string, n *facts.NVMe) {
	t.link("sys/class/nvme/"+n.Name, dir)
	t.folder(dir)
	for file, value := range map[string]string{"serial": n.Serial, "model": n.Model, "firmware_rev": n.Firmware, "state": n.State} {
		t.text(dir+"/"+file, value)
	}
	for _, space := range n.Namespaces {
		if space.Block != "" {
			t.text(dir+"/"+space.Block+"/nsid", fmt.Sprint(space.ID))
			t.dirs[space.Block] = dir + "/" + space.Block
		}
	}
}

// gaps makes unreadable what the survey says could not be read.
func (t *tree) gaps() {
	for _, gap := range t.s.Gaps {
		t.refuse(map[string]string{"mounts": "proc/self/mountinfo", "swaps": "proc/swaps", "blocks": "proc/partitions", "functions": "sys/bus/pci/devices"}[gap.Fact], gap.Reason)
	}
	for i := range t.s.Functions {
		f := &t.s.Functions[i]
		for _, gap := range f.Gaps {
			if gap.Fact == "virtual_number" {
				continue // a link that is not there
			}
			file := map[string]string{"group": "iommu_group", "parent": "physfn", "virtual_functions": "sriov_numvfs", "most_virtual": "sriov_totalvfs", "virtual_probed": "sriov_drivers_autoprobe", "nvme.serial": "serial", "nvme.state": "state"}[gap.Fact]
			if file == "" {
				file = gap.Fact
			}
			if strings.HasPrefix(gap.Fact, "nvme.") {
				file = path.Join("nvme", f.NVMe.Name, file)
			}
			t.refuse(t.dirOf(f.Address)+"/"+file, gap.Reason)
		}
	}
	for i := range t.s.Blocks {
		b := &t.s.Blocks[i]
		for _, gap := range b.Gaps {
			name := t.dirs[b.Name] + "/" + gap.Fact
			if gap.Fact == "signature" {
				name = "run/udev/data/b" + b.Devno.String()
			}
			t.refuse(name, gap.Reason)
		}
	}
}
