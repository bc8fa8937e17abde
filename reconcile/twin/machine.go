package twin

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
)

// Machine is an emulated host. The same survey gives the same one.
type Machine struct {
	Name        string // of the host
	IOMMU       bool   // QEMU emulates one
	Processors  int
	MemoryBytes uint64
	Nodes       []Node // NUMA nodes by number; empty: one alone
	Roots       []Root // the first is the machine's own, bus 0
	Volumes     []Volume
	Mounts      []Mount
	Swaps       []string // of which block devices, by their names in the survey
	Guests      []Guest
	Places      []Place  // by the address in the survey
	GuardUnread bool     // what the host has for a guard could not be read
	Unlike      []Unlike // what of the survey it does not have
}

// Node is what a NUMA node has of memory and processors.
type Node struct {
	MemoryBytes uint64
	Processors  int
}

// Root is a root bus with what sits on it.
type Root struct {
	Bus   uint8 // its number, as on the host where there is room
	Node  int   // NUMA node; -1: none said
	Parts []Part
}

// Part is one PCI function.
type Part struct {
	Kind     Kind
	Slot     uint8 // on its bus
	Function uint8
	NoACS    bool           // of a root port: it lets what is below reach its neighbours, so that they share a group
	Of       *facts.Address // the function of the survey that it stands for; nil: added
	Own      bool           // the machine runs from it
	Late     bool           // it is added to a machine that was made: what counts parts leaves it out
	Absent   bool           // it is not plugged in, its place is kept
	Serial   string         // of an NVMe controller
	Held     Holding
	Disks    []Disk
	Below    []Part
}

// Kind is what a part is.
type Kind string

// The kinds of part. Chipset's four are in every machine.
const (
	HostBridge   Kind = "host bridge"
	ISABridge    Kind = "ISA bridge"
	ChipsetSATA  Kind = "chipset SATA"
	SMBus        Kind = "SMBus"
	ExtraRoot    Kind = "extra root" // stands on bus 0 for each root bus after the first
	Channel      Kind = "channel"    // through which the machine is talked to
	RootPort     Kind = "root port"
	Upstream     Kind = "switch"
	Downstream   Kind = "switch port"
	Conventional Kind = "conventional bridge"
	NVMe         Kind = "NVMe"
	SATA         Kind = "SATA"
	USB          Kind = "USB"
	SCSI         Kind = "SCSI"
	Network      Kind = "network"
	Display      Kind = "display"
	Sound        Kind = "sound"
	Occupied     Kind = "occupied" // any other function that a driver of the host has
	Idle         Kind = "idle"     // any other function without a driver
)

// Port tells a part that has a bus below it.
func (k Kind) Port() bool {
	return k == RootPort || k == Upstream || k == Downstream || k == Conventional
}

// Holding says what has a function at first.
type Holding string

// The ways in which a function is held.
const (
	ByDriver Holding = ""         // the driver that the kernel takes for it
	ByNone   Holding = "none"     // no driver
	ByVFIO   Holding = "vfio-pci" // lent, or kept for that
	ByStub   Holding = "pci-stub"
)

// Model is what every NVMe controller of a machine says of itself (QEMU,
// hw/nvme/ctrl.c).
const Model = "QEMU NVMe Ctrl"

// Disk is a block device of a part, made as a sparse file.
type Disk struct {
	File        string // name of the file, ours
	Of          string // its kernel name in the survey, or its file's where the survey has none; empty: nothing is known of it
	Namespace   int    // of an NVMe controller, from 1; 0 elsewhere
	SizeBytes   uint64
	SectorBytes uint64 // 512 or 4096
	Table       *Table // nil: no partitions
	Holds       *facts.Signature
}

// Table is a partition table.
type Table struct {
	Kind       string // "gpt" or "dos"
	ID         string // empty: whichever
	Partitions []Partition
}

// Partition is an entry of a table with what lies in it.
type Partition struct {
	facts.Partition
	Of        string // its kernel name in the survey
	SizeBytes uint64
	Holds     *facts.Signature
}

// StandIn tells whether a stand-in lies in it, which UEFI firmware starts.
func (p Partition) StandIn() bool {
	return p.Type == facts.TypeESP && p.Holds != nil && p.Holds.Kind == "vfat"
}

// Built is how a volume is made of the devices below it.
type Built string

// The ways in which volumes are made.
const (
	ByLVM  Built = "LVM"
	ByLUKS Built = "LUKS"
	ByMD   Built = "md"
	ByLoop Built = "loop"
)

// Volume is a block device made of others, or of a file.
type Volume struct {
	By        Built
	Of        string   // its kernel name in the survey
	Name      string   // of a mapped device, or of an LVM volume within its group
	Group     string   // LVM's volume group
	Level     string   // of an array: "raid1"
	ID        string   // of an array; empty: whichever
	File      string   // of a loop device
	On        []string // names in the survey; they come before it
	SizeBytes uint64
	Holds     *facts.Signature
}

// Mount is a filesystem of a copied device that is mounted.
type Mount struct {
	Of      string // kernel name in the survey
	Path    string
	Kind    string
	Options []string
}

// Guest is a guest that libvirt has in the machine.
type Guest struct {
	Name      string
	XML       string   // its kept definition there
	Changes   []string // what of that is not as on the host, a sentence each
	Running   bool
	Autostart bool
	Images    []Image
}

// Image is a file for a guest's disk, in which a stand-in system is that answers the
// power button.
type Image struct {
	Path  string
	QCOW2 bool  // false: raw
	Disk  *Disk // with the partitions that the host's has; nil: they are not known
}

// Place says where a function of the survey is in the machine.
type Place struct {
	From facts.Address
	To   facts.Address
}

// Unlike is something of the survey that the machine does not have.
type Unlike struct {
	Fact  string   // "link"
	Of    []string // addresses, kernel names, guests; empty: of the host
	Twin  string   // what the machine has instead
	Hides string   // what can therefore go otherwise on the host
}

// Ever tells whether it is so on the twin of every host that has such a thing.
func (u Unlike) Ever() bool { return fates[u.Fact].kind == listed }

// mostNamed is how many of those that are unlike in the same way are told by name.
const mostNamed = 3

// String says it in a line.
func (u Unlike) String() string {
	text := u.Twin + ": " + u.Hides
	switch {
	case u.Ever():
		return text
	case len(u.Of) == 0:
		return u.Fact + ": " + text
	}
	of := strings.Join(u.Of[:min(mostNamed, len(u.Of))], ", ")
	if more := len(u.Of) - mostNamed; more > 0 {
		of += fmt.Sprintf(" and %d more", more)
	}
	return strings.ReplaceAll(u.Fact, "_", " ") + " " + of + ": " + text
}
