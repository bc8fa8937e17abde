package spec

import (
	"fmt"
	"time"

	"lendkeep/spec/pci"
)

// Layout is what the operator wants a host to be: the checked content of all
// layout files of one directory. Names are unique within their kind and every
// reference points at something that exists; Load reports the rest.
type Layout struct {
	Dir         string // as given to Load
	Hash        string // sha256, hex, over the names and bytes of the files
	Host        Host
	Controllers []Controller // in the order of the files, as everything below
	Shims       []Shim
	Guests      []Guest
	Shifts      []Shift
}

// Place is where in the layout something is stated. The zero Place means
// nowhere: a default.
type Place struct {
	File   string `json:"file"` // path relative to the layout's directory
	Line   int    `json:"line"` // from 1
	Column int    `json:"column"`
}

// String gives file:line, as compilers do.
func (p Place) String() string {
	if p.File == "" {
		return "by default"
	}
	return fmt.Sprintf("%s:%d", p.File, p.Line)
}

// Host names the host and how to reach its libvirt.
type Host struct {
	Name      string
	Libvirt   string   // connection URI; qemu:///system when not stated
	NeverLend []string // NVMe serials, besides the host's own drives
	Alarm     []string // program and arguments that are told of alarms; empty: none
	At        Place
}

// Controller is a PCI function, or all those of a slot, that may be lent, known by
// what it is.
// Exactly one of NVMe, PCI and Virtual is set.
type Controller struct {
	Name    string
	NVMe    *NVMeIdentity
	PCI     *PCIIdentity
	Virtual *VirtualIdentity
	// VirtualFunctions is how many virtual functions it shall have (SR-IOV); nil: as
	// many as it has.
	VirtualFunctions *int
	Drive            *Drive
	Return           Return
	At               Place
}

// NVMeIdentity tells an NVMe controller by its own serial number.
type NVMeIdentity struct {
	Serial string // without the padding of the Identify data structure
	Model  string // empty: any
	At     Place
}

// PCIIdentity tells any other controller by kind and, where two are alike, by
// the physical slot it sits in. It is one function, or all of a slot.
type PCIIdentity struct {
	Vendor pci.ID
	Device pci.ID
	Slot   string // name under /sys/bus/pci/slots; empty: any
	// Subsystem is VENDOR:DEVICE of the card's maker, lower case; empty: any.
	Subsystem string
	// Function is its number in its slot, 0 to 7; nil: any.
	Function *int
	Serial   string // PCI Express Device Serial Number, lower case, as lspci prints it; empty: any
	// Functions has all functions of the slot by their numbers, the first of which
	// Vendor and Device are; empty: the controller is one function.
	Functions []Kind
	At        Place
}

// VirtualIdentity tells a virtual function (SR-IOV) by the controller that makes it
// and by its number there.
type VirtualIdentity struct {
	Of     Ref // a controller of one function, itself not virtual
	Number int // of the link virtfnN of that, from 0
	At     Place
}

// Kind is what functions alike are: vendor and device number.
type Kind struct{ Vendor, Device pci.ID }

// String gives 8086:10d3, as lspci -n prints it.
func (k Kind) String() string { return k.Vendor.String() + ":" + k.Device.String() }

// Drive says what the controller's drive shall hold.
type Drive struct {
	CopyOf     string // path of the image whose system moves here; empty: none
	CopyFormat string // of that image, "qcow2" or "raw"; empty: as its guest's definition says
	Erase      string // the drive's serial, spelled out, when it is not blank
	Partitions []Partition
	At         Place
}

// Partition is a part of the drive for the host; its name is its GPT name.
type Partition struct {
	Name      string
	SizeBytes uint64 // 0 with Rest
	Rest      bool   // all free space that remains
	Format    string // one of Filesystems, or empty: left unformatted
	At        Place
}

// FormatOf gives the filesystem that is stated for the partition of that name,
// or "".
func (c Controller) FormatOf(partition string) string {
	if c.Drive == nil {
		return ""
	}
	for _, part := range c.Drive.Partitions {
		if part.Name == partition {
			return part.Format
		}
	}
	return ""
}

// Return says how the host takes the controller back.
type Return struct {
	Within    time.Duration // 30 s when not stated
	OnFailure string        // "hold" or "alarm"; "hold" when not stated
	Mounts    []Mount
	At        Place
}

// Mount is a filesystem of the drive that the host has mounted whenever the
// controller is home.
type Mount struct {
	Partition string   // name of a partition of the same controller's drive
	Path      string   // where: absolute and clean
	Options   []string // as mount(8) takes them; nosuid and nodev are among them unless the layout says otherwise
	At        Place
}

// Shim is a small boot disk or option ROM for firmware that cannot read NVMe.
type Shim struct {
	Name  string
	Donor string // firmware image that holds the parts
	As    string // "rom" or "disk"
	At    Place
}

// Ref is a named thing and where it was named.
type Ref struct {
	Name string
	At   Place
}

// Guest is a virtual machine as the layout states it. A nil or empty field
// states nothing: what libvirt has stays.
type Guest struct {
	Name     string
	System   string // "windows", "linux" or empty
	Firmware string // "uefi", "bios", an absolute path of a firmware image, or empty
	Borrows  []Ref  // controllers
	Boots    *Ref   // the controller it boots from; one of Borrows
	Shim     *Ref
	Entry    *Loader // what it starts on the drive that it boots from
	CPU      *CPU
	Memory   *Memory
	Disks    []Disk
	Networks []Network
	Stop     time.Duration // how long a shutdown may take; 60 s when not stated
	Retired  bool          // the definition is removed, images are not touched
	At       Place
}

// Loader is a program on an EFI system partition.
type Loader struct {
	Path string // with backslashes, as firmware names it
	At   Place
}

// CPU states the guest's processors.
type CPU struct {
	Count int
	Near  *Ref // controller on whose NUMA node they run
	At    Place
}

// Memory states the guest's memory.
type Memory struct {
	SizeBytes uint64
	HugePages *bool  // nil: not stated
	PageBytes uint64 // of one of them, a power of two; 0: the host's default
	At        Place
}

// Disk is a virtual disk of a guest; exactly one of Image and PartitionID is set.
type Disk struct {
	Name        string
	Image       string // path of an image file
	Format      string // of the image, "qcow2" or "raw"; empty: as a guest's definition says
	PartitionID string // GPT partition id, lower case
	Bus         string // "virtio", "scsi", "sata"
	SizeBytes   uint64 // of an image that is yet to be made; 0: not stated
	CopyFrom    *Ref   // controller from whose drive the image is made; nil: none
	At          Place
}

// Network is a network card of a guest; exactly one of Bridge and Network is set.
type Network struct {
	Name    string
	Bridge  string // bridge of the host
	Network string // libvirt network
	Model   string // empty: what it has; a new card gets "virtio"
	MAC     string // empty: libvirt chooses
	At      Place
}

// Shift is a set of guests that run at the same time.
type Shift struct {
	Name   string
	Guests []Ref
	At     Place
}

// Controller gives the controller of that name, or nil.
func (l *Layout) Controller(name string) *Controller { return named(l.Controllers, name) }

// Guest gives the guest of that name, or nil.
func (l *Layout) Guest(name string) *Guest { return named(l.Guests, name) }

// Shim gives the shim of that name, or nil.
func (l *Layout) Shim(name string) *Shim { return named(l.Shims, name) }

// Shift gives the shift of that name, or nil.
func (l *Layout) Shift(name string) *Shift { return named(l.Shifts, name) }

func (c Controller) name() string { return c.Name }
func (s Shim) name() string       { return s.Name }
func (g Guest) name() string      { return g.Name }
func (s Shift) name() string      { return s.Name }
func (f File) name() string       { return f.Name }

// called is what has a name.
type called interface{ name() string }

// Names gives the name of each.
func Names[T called](list []T) []string {
	all := make([]string, len(list))
	for i := range list {
		all[i] = list[i].name()
	}
	return all
}

func named[T called](list []T, name string) *T {
	for i := range list {
		if list[i].name() == name {
			return &list[i]
		}
	}
	return nil
}
