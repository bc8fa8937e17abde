// Package parts turns a twin's parts into the options that QEMU is started with,
// and what its drives shall hold into a script for its first boot. Both are pure
// functions; start at Twin and Script.
package parts

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// Twin is a machine like a surveyed host, to be booted.
type Twin struct{ twin.Machine }

// RunsFrom gives the serial of the drive that the machine runs from.
func (t Twin) RunsFrom() string {
	serial := ""
	t.Each(func(p *twin.Part) {
		if p.Own {
			serial = p.Serial
		}
	})
	return serial
}

// Files lists what is behind all other drives.
func (t Twin) Files() []machine.File {
	var files []machine.File
	t.Each(func(p *twin.Part) {
		for _, d := range p.Disks {
			if !p.Own {
				files = append(files, machine.File{Name: d.File, Bytes: d.SizeBytes})
			}
		}
	})
	return files
}

// lateChassis is the number of a port that is added late: those of others stay.
const lateChassis = 255

const (
	ownDrive = "own"      // what QEMU calls the drive that the machine runs from
	channels = "channels" // and what the machine is talked to through
)

// unused has nobody use what stands for functions of which only that a driver has them
// matters.
const unused = "modprobe.blacklist=virtio_rng"

// Arguments gives QEMU's options for a machine: its processors, memory and nodes, and
// every part (qemu(1); each device measured with QEMU 7.2.22).
func (t Twin) Arguments(b machine.Boot) ([]string, error) {
	b.CommandLine = strings.TrimSpace(b.CommandLine + " " + unused + " " + Mark)
	w := &words{list: b.Start(), files: b, roots: t.Roots}
	w.size(t.Machine)
	if t.IOMMU {
		w.device(machine.IOMMU)
	}
	w.add("-audiodev", "none,id=quiet")
	w.bus("pcie.0", t.Roots[0].Parts)
	for i, r := range t.Roots[1:] {
		w.bus(rootName(i+1), r.Parts)
	}
	w.add(b.Talk(channels + ".0")...)
	return w.list, nil
}

type words struct {
	list    []string
	files   machine.Boot
	roots   []twin.Root
	root    int // the last further root that was given its place
	chassis int // of ports: QEMU wants each number once
	parts   int
}

func rootName(i int) string { return fmt.Sprintf("root%d", i) }

func (w *words) add(list ...string) { w.list = append(w.list, list...) }

// device adds one -device; the settings keep their order.
func (w *words) device(kind string, settings ...string) {
	w.add("-device", strings.Join(append([]string{kind}, settings...), ","))
}

func (w *words) size(m twin.Machine) {
	w.add("-smp", strconv.Itoa(m.Processors), "-m", strconv.FormatUint(m.MemoryBytes>>20, 10))
	first := 0
	for i, n := range m.Nodes {
		w.add("-object", fmt.Sprintf("memory-backend-ram,id=memory%d,size=%dM", i, n.MemoryBytes>>20))
		w.add("-numa", fmt.Sprintf("node,nodeid=%d,memdev=memory%d,cpus=%d-%d", i, i, first, first+n.Processors-1))
		first += n.Processors
	}
}

// bus adds what sits on a bus; further roots come before what sits on them, since
// they stand on the first.
func (w *words) bus(name string, parts []twin.Part) {
	for _, p := range parts {
		w.part(p, append([]string{machine.Set("bus", name), machine.Set("addr", fmt.Sprintf("0x%x.0x%x", p.Slot, p.Function))}, several(parts, p)...))
	}
}

// several marks the first of more functions, which tells the system to look for the
// others (PCI Local Bus 3.0, 6.2.1, header type bit 7).
func several(parts []twin.Part, p twin.Part) []string {
	for _, q := range parts {
		if p.Function == 0 && q.Slot == p.Slot && q.Function != 0 {
			return []string{"multifunction=on"}
		}
	}
	return nil
}

func (w *words) part(p twin.Part, place []string) {
	id := w.name(p)
	if p.Absent {
		return
	}
	with := func(kind string, more ...string) {
		w.device(kind, append(append([]string{machine.Set("id", id)}, place...), more...)...)
	}
	switch p.Kind {
	case twin.HostBridge, twin.ISABridge, twin.SMBus: // QEMU's q35 has them
	case twin.ChipsetSATA:
		w.disks(p, id, "ide-hd", "ide.%d")
	case twin.ExtraRoot:
		w.further(place)
	case twin.Channel:
		id = channels
		with("virtio-serial-pci")
	case twin.NVMe:
		w.nvme(p, id, with)
	default:
		w.device(devices[p.Kind], append(append([]string{machine.Set("id", id)}, place...), w.more(p)...)...)
		w.disks(p, id, hangers[p.Kind].kind, strings.ReplaceAll(hangers[p.Kind].bus, "ID", id))
	}
	w.bus(id, p.Below)
	if p.Kind == twin.Sound {
		w.device("hda-output", machine.Set("bus", id+".0"), "audiodev=quiet")
	}
}

// name gives what QEMU calls a part. What is added late changes no other's name.
func (w *words) name(p twin.Part) string {
	if p.Late {
		return fmt.Sprintf("late-%s-%d", strings.ReplaceAll(string(p.Kind), " ", "-"), p.Slot)
	}
	w.parts++
	return cardName(w.parts)
}

func cardName(number int) string { return fmt.Sprintf("part%d", number) }

// Card gives the name of what stands for a function of the survey, as emulated.Host's
// Unplug takes it.
func (t Twin) Card(of facts.Address) string {
	number, name := 0, ""
	t.Each(func(p *twin.Part) { // in the sequence of bus
		if p.Late {
			return
		}
		if number++; p.Of != nil && *p.Of == of {
			name = cardName(number)
		}
	})
	return name
}

// devices are QEMU's for the kinds that need no words of their own.
var devices = map[twin.Kind]string{
	twin.RootPort: "pcie-root-port", twin.Upstream: "x3130-upstream", twin.Downstream: "xio3130-downstream", twin.Conventional: "pcie-pci-bridge",
	twin.SATA: "ich9-ahci", twin.USB: "qemu-xhci", twin.SCSI: "virtio-scsi-pci", twin.Network: "e1000e",
	twin.Display: "bochs-display", twin.Sound: "ich9-intel-hda", twin.Occupied: "virtio-rng-pci", twin.Idle: "pci-testdev",
}

// hangers say how drives hang on a controller: QEMU's device, and the bus, by the
// controller's name and the drive's number.
var hangers = map[twin.Kind]struct{ kind, bus string }{
	twin.SATA: {"ide-hd", "ID.%d"}, twin.SCSI: {"scsi-hd", "ID.0"}, twin.USB: {"usb-storage", "ID.0"},
}

// more gives what a kind needs besides its place.
func (w *words) more(p twin.Part) []string {
	switch p.Kind {
	case twin.RootPort, twin.Downstream:
		number := lateChassis
		if !p.Late {
			w.chassis++
			number = w.chassis
		}
		list := []string{machine.Set("chassis", number), machine.Set("slot", number)}
		if p.NoACS {
			list = append(list, "disable-acs=on")
		}
		return list
	case twin.Network: // locally administered, so that no real maker's is used
		return []string{fmt.Sprintf("mac=52:54:00:00:%02x:%02x", w.parts>>8, w.parts&0xff)}
	default:
		return nil
	}
}

// further adds the root bus that a part of bus 0 stands for.
func (w *words) further(place []string) {
	w.root++
	r := w.roots[w.root]
	settings := append([]string{machine.Set("id", rootName(w.root))}, place...)
	settings = append(settings, machine.Set("bus_nr", r.Bus))
	if r.Node >= 0 {
		settings = append(settings, machine.Set("numa_node", r.Node))
	}
	w.device("pxb-pcie", settings...)
}

// nvme adds a controller and its namespaces.
func (w *words) nvme(p twin.Part, id string, with func(string, ...string)) {
	if p.Own {
		w.add(machine.Drive(ownDrive, "qcow2", w.files.OwnDisk)...)
		with("nvme", machine.Set("drive", ownDrive), machine.Set("serial", p.Serial))
		return
	}
	with("nvme", machine.Set("serial", p.Serial))
	for _, d := range p.Disks {
		drive := w.disk(d)
		w.device("nvme-ns", machine.Set("bus", id), machine.Set("drive", drive), machine.Set("nsid", d.Namespace), blocks(d))
	}
}

func (w *words) disks(p twin.Part, id, kind, bus string) {
	for i, d := range p.Disks {
		settings := []string{machine.Set("drive", w.disk(d)), machine.Set("serial", fmt.Sprintf("%s-%d", id, i+1))}
		switch p.Kind {
		case twin.SCSI:
			settings = append(settings, machine.Set("bus", bus), machine.Set("scsi-id", i), blocks(d))
		case twin.USB:
			settings = append(settings, machine.Set("bus", bus), machine.Set("port", i+1))
		default:
			settings = append(settings, machine.Set("bus", fmt.Sprintf(bus, i)))
		}
		w.device(kind, settings...)
	}
}

func blocks(d twin.Disk) string {
	return machine.Set("logical_block_size", d.SectorBytes) + "," + machine.Set("physical_block_size", d.SectorBytes)
}

// disk declares the file behind a drive, and gives the name by which QEMU knows it.
func (w *words) disk(d twin.Disk) string {
	id := strings.TrimSuffix(d.File, ".img")
	w.add(machine.Drive(id, "raw", filepath.Join(w.files.Folder, d.File))...)
	return id
}
