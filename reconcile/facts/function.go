package facts

import (
	"slices"

	"lendkeep/spec"
)

// Gap is a fact that could not be read. It is never taken for a no: a gap
// under something that is to be lent blocks.
type Gap struct {
	Fact   string `json:"fact"`   // what is not known, "driver"
	Path   string `json:"path"`   // where it was looked for, below the root directory
	Reason string `json:"reason"` // what the system said
}

// Function is one PCI function, as /sys/bus/pci/devices shows it.
type Function struct {
	Address         Address     `json:"address"`
	Vendor          spec.PCIID  `json:"vendor"`
	Device          spec.PCIID  `json:"device"`
	SubsystemVendor spec.PCIID  `json:"subsystem_vendor"`
	SubsystemDevice spec.PCIID  `json:"subsystem_device"`
	VendorName      string      `json:"vendor_name,omitempty"` // from the PCI id database
	DeviceName      string      `json:"device_name,omitempty"`
	Class           uint32      `json:"class"` // 24 bits: base class, subclass, interface
	Revision        uint8       `json:"revision"`
	HeaderType      uint8       `json:"header_type"` // config space 0x0e without the multi-function bit; 0 is an endpoint
	MultiFunction   bool        `json:"multi_function"`
	Upstream        *Address    `json:"upstream,omitempty"` // the bridge or port above; nil on the root bus
	Driver          string      `json:"driver"`             // empty: none bound
	DriverOverride  string      `json:"driver_override,omitempty"`
	Group           *int        `json:"group,omitempty"` // IOMMU group; nil: in none
	NUMANode        int         `json:"numa_node"`       // -1: the host has just one, or does not say
	LocalCPUs       string      `json:"local_cpus,omitempty"`
	Link            *Link       `json:"link,omitempty"` // nil: not a PCI Express link
	ResetMethods    []string    `json:"reset_methods,omitempty"`
	BARs            []BAR       `json:"bars,omitempty"`
	MSIX            *MSIX       `json:"msix,omitempty"`
	Slot            string      `json:"slot,omitempty"`              // physical slot, as under /sys/bus/pci/slots
	Parent          *Address    `json:"parent,omitempty"`            // of a virtual function: the one that has made it (physfn)
	Virtual         int         `json:"virtual_functions,omitempty"` // how many it has made (sriov_numvfs)
	PowerState      string      `json:"power_state,omitempty"`
	D3cold          bool        `json:"d3cold_allowed"`
	NVMe            *NVMe       `json:"nvme,omitempty"` // only while the kernel's nvme driver holds it
	Interfaces      []Interface `json:"network_interfaces,omitempty"`
	Asked           bool        `json:"asked,omitempty"`    // the kernel was asked who holds what is below it
	Attached        []Attached  `json:"attached,omitempty"` // what else below it is in use, or may be
	Gaps            []Gap       `json:"gaps,omitempty"`
}

// Attached is something below a function, neither block device nor network
// interface, that is in use: a character device that a process has open. Or it
// may be, since nobody knows what uses things of its class: then it has no
// openers.
type Attached struct {
	Name    string   `json:"name"`  // kernel name, "sg2"
	Class   string   `json:"class"` // as below /sys/class, "scsi_generic"
	Openers []Opener `json:"openers,omitempty"`
}

// ClassNVMe is the class of NVMe controllers (PCI Code and ID Assignment
// Specification, class 01 subclass 08 interface 02).
const ClassNVMe = 0x010802

// Link is the state of the link above a function. Speeds are in millions of
// transfers a second, widths in lanes; 0 is unknown.
type Link struct {
	SpeedMTps    int `json:"speed_mtps"`
	Width        int `json:"width"`
	MaxSpeedMTps int `json:"max_speed_mtps"`
	MaxWidth     int `json:"max_width"`
}

// BAR is a base address region that is in use.
type BAR struct {
	Index     int    `json:"index"`
	Start     uint64 `json:"start"`
	SizeBytes uint64 `json:"size_bytes"`
	IO        bool   `json:"io,omitempty"`
}

// MSIX says where a function keeps its interrupt table (PCI Local Bus
// Specification 3.0, 6.8.2).
type MSIX struct {
	Vectors     int    `json:"vectors"`
	TableBAR    int    `json:"table_bar"`
	TableOffset uint32 `json:"table_offset"`
	PBABAR      int    `json:"pba_bar"`
	PBAOffset   uint32 `json:"pba_offset"`
}

// NVMe is what a live NVMe controller says of itself.
type NVMe struct {
	Name       string      `json:"name"` // nvme0; moves between boots and returns
	Serial     string      `json:"serial"`
	Model      string      `json:"model"`
	Firmware   string      `json:"firmware"`
	NQN        string      `json:"nqn,omitempty"`
	State      string      `json:"state"` // "live" when it works
	Namespaces []Namespace `json:"namespaces,omitempty"`
}

// Namespace is a drive of an NVMe controller.
type Namespace struct {
	ID          int    `json:"id"`
	Block       string `json:"block"` // kernel name of its block device
	SizeBytes   uint64 `json:"size_bytes"`
	SectorBytes uint64 `json:"sector_bytes"`
	EUI64       string `json:"eui64,omitempty"`
	NGUID       string `json:"nguid,omitempty"`
	UUID        string `json:"uuid,omitempty"`
	WWID        string `json:"wwid,omitempty"`
}

// Interface is a network interface that a function provides. One whose flags
// cannot be read counts as up: unknown means in use.
type Interface struct {
	Name string `json:"name"`
	Up   bool   `json:"up"` // IFF_UP of /sys/class/net/NAME/flags: somebody has configured it
}

// Title names the function for people: what it is, then where.
func (f Function) Title() string {
	what := f.DeviceName
	if what == "" {
		what = f.Vendor.String() + ":" + f.Device.String()
	}
	if f.NVMe != nil {
		what = f.NVMe.Model + " " + f.NVMe.Serial
	}
	return what + " at " + f.Address.String()
}

// Gap gives the gap of that fact, or nil when the fact was read.
func (f Function) Gap(fact string) *Gap {
	i := slices.IndexFunc(f.Gaps, func(g Gap) bool { return g.Fact == fact })
	if i < 0 {
		return nil
	}
	return &f.Gaps[i]
}

// OnVFIO tells whether a VFIO driver holds the function. Newer kernels have
// variants for single devices (mlx5-vfio-pci), so the name alone is not enough
// (Linux drivers/vfio/pci: every variant's name contains "vfio").
func (f Function) OnVFIO() bool {
	return f.Driver == "vfio-pci" || isVFIOVariant(f.Driver)
}
