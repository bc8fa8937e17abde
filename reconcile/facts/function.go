package facts

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/spec/pci"
)

// Gap is a fact that could not be read. It is never taken for a no: a gap
// under something that is to be lent blocks.
type Gap struct {
	Fact   string `json:"fact"`   // what is not known, "driver"
	Path   string `json:"path"`   // where it was looked for, below the root directory
	Reason string `json:"reason"` // what the system said
}

// Function is one PCI function. Where the comment of a field names a file, that
// is below /sys/bus/pci/devices/ADDRESS (Linux Documentation/ABI/testing/
// sysfs-bus-pci); what could not be read there is in Gaps.
type Function struct {
	Address         Address     `json:"address"`                      // domain, bus, device and function (BDF): the name of the directory
	Vendor          pci.ID      `json:"vendor"`                       // vendor
	Device          pci.ID      `json:"device"`                       // device
	SubsystemVendor pci.ID      `json:"subsystem_vendor"`             // subsystem_vendor; 0: not said
	SubsystemDevice pci.ID      `json:"subsystem_device"`             // subsystem_device; 0: not said
	VendorName      string      `json:"vendor_name,omitempty"`        // from the PCI ID database (pci.ids); empty: not in it
	DeviceName      string      `json:"device_name,omitempty"`        // likewise
	Class           uint32      `json:"class"`                        // class; 24 bits: base class, subclass, interface
	Revision        uint8       `json:"revision"`                     // revision
	HeaderType      uint8       `json:"header_type"`                  // config, byte 0x0e without the multi-function bit; 0 is an endpoint
	MultiFunction   bool        `json:"multi_function"`               // config, bit 7 of byte 0x0e
	Upstream        *Address    `json:"upstream,omitempty"`           // from where the directory really is: the bridge or port above; nil on the root bus
	Driver          string      `json:"driver"`                       // driver, a link; empty: none bound
	DriverOverride  string      `json:"driver_override,omitempty"`    // driver_override; empty: any driver may bind it
	Group           *int        `json:"group,omitempty"`              // iommu_group, a link; nil: in none
	NUMANode        int         `json:"numa_node"`                    // numa_node; -1: the host has just one, or does not say
	LocalCPUs       string      `json:"local_cpus,omitempty"`         // local_cpulist, "0-3,8"; empty: not said
	Link            *Link       `json:"link,omitempty"`               // nil: not a PCI Express link
	PayloadBytes    int         `json:"payload_bytes,omitempty"`      // config, the most data in a packet that it sends or takes: Max_Payload_Size, bits 5 to 7 of Device Control in capability 0x10; 0: it has none, or says nothing that is known
	Express         Express     `json:"express,omitempty"`            // config, what it is by its capability 0x10, "Root Port"; empty: not PCI Express
	ACS             *ACS        `json:"acs,omitempty"`                // config, extended capability 0x000d (Access Control Services); nil: it has none
	ResetMethods    []string    `json:"reset_methods,omitempty"`      // reset_method: "flr" (function-level reset), "bus", ...; empty: the kernel cannot reset it, or must not
	BARs            []BAR       `json:"bars,omitempty"`               // resource, its first six lines; those in use
	MSIX            *MSIX       `json:"msix,omitempty"`               // config, capability 0x11; nil: it has none, or config was not read so far
	OptionROM       *OptionROM  `json:"option_rom,omitempty"`         // resource, its seventh line; nil: it has none
	BootVGA         bool        `json:"boot_vga,omitempty"`           // boot_vga is 1: the host's firmware used it as the display
	DeviceSerial    string      `json:"device_serial,omitempty"`      // config, extended capability 0x0003 (PCI Express Device Serial Number), as lspci prints it; empty: it has none
	Slot            string      `json:"slot,omitempty"`               // physical slot, a name under /sys/bus/pci/slots; empty: in none
	Parent          *Address    `json:"parent,omitempty"`             // physfn, a link: the one that has made this virtual function (SR-IOV); nil: it is none
	VirtualNumber   *int        `json:"virtual_number,omitempty"`     // which of its parent's it is, from 0: the link virtfnN of the parent that leads to it; nil: it is none, or that is a gap
	Virtual         int         `json:"virtual_functions,omitempty"`  // sriov_numvfs: how many it has made
	VirtualMost     int         `json:"most_virtual,omitempty"`       // sriov_totalvfs: how many it can make; 0: it makes none
	VirtualProbed   bool        `json:"virtual_probed,omitempty"`     // sriov_drivers_autoprobe is 1: drivers of the host's take those that it makes
	PowerState      string      `json:"power_state,omitempty"`        // power_state: "D0", "D3hot", ...; empty: not said
	D3cold          bool        `json:"d3cold_allowed"`               // d3cold_allowed is 1
	NVMe            *NVMe       `json:"nvme,omitempty"`               // only while the kernel's nvme driver holds it
	Interfaces      []Interface `json:"network_interfaces,omitempty"` // below net
	Shows           []string    `json:"shows,omitempty"`              // classes and buses of the devices that its driver has made, "drm", "usb": subsystem, a link, of what is below it and not on a bus below it; but for those that come and go (facts.Tells)
	Asked           bool        `json:"asked,omitempty"`              // the kernel was asked who holds what is below it
	Attached        []Attached  `json:"attached,omitempty"`           // what else below it is in use, or may be
	Gaps            []Gap       `json:"gaps,omitempty"`               // what could not be read of it
}

// ClassNVMe is the class of NVMe controllers (PCI Code and ID Assignment
// Specification, class 01 subclass 08 interface 02).
const ClassNVMe = 0x010802

// Link is the state of the link above a function. Speeds are in millions of
// transfers a second, widths in lanes; 0 is unknown.
type Link struct {
	SpeedMTps    int `json:"speed_mtps"`     // current_link_speed; an idle link may be slower than it can
	Width        int `json:"width"`          // current_link_width
	MaxSpeedMTps int `json:"max_speed_mtps"` // max_link_speed
	MaxWidth     int `json:"max_width"`      // max_link_width
}

// Told says at what rate and on how many lanes a link runs, of what it could at most:
// 2.5 GT/s x1 of 2.5 x1. Empty where that is not known.
func (l *Link) Told() string {
	if l == nil || l.Width == 0 {
		return ""
	}
	return fmt.Sprintf("%.3g GT/s x%d of %.3g x%d", float64(l.SpeedMTps)/1000, l.Width, float64(l.MaxSpeedMTps)/1000, l.MaxWidth)
}

// BAR is a base address region that is in use, as a line of the file resource
// has it.
type BAR struct {
	Index     int    `json:"index"`                  // from 0
	Start     uint64 `json:"start"`                  // address
	SizeBytes uint64 `json:"size_bytes"`             // from its first to its last address
	IO        bool   `json:"io,omitempty"`           // ports, not memory
	Wide      bool   `json:"wide,omitempty"`         // memory that may lie above 4 GiB (64-bit)
	Prefetch  bool   `json:"prefetchable,omitempty"` // memory that may be read ahead: behind a bridge only such may lie above 4 GiB
	Sizes     uint64 `json:"sizes,omitempty"`        // resource0_resize and so on, of large ones: bit n for a size of 2^n MiB that it can be given; 0: it has one size, or the kernel does not say
}

// OptionROM is the region with a function's option ROM (expansion ROM).
type OptionROM struct {
	SizeBytes uint64 `json:"size_bytes"`       // from its first to its last address
	Shadow    bool   `json:"shadow,omitempty"` // what can be read there is the copy that the host's firmware made in memory, and used
}

// MSIX says where a function keeps its interrupt table (PCI Local Bus
// Specification 3.0, 6.8.2).
type MSIX struct {
	Vectors     int    `json:"vectors"`      // entries of the table
	TableBAR    int    `json:"table_bar"`    // index of the region that it is in
	TableOffset uint32 `json:"table_offset"` // bytes from the region's start
	PBABAR      int    `json:"pba_bar"`      // likewise of the pending bits
	PBAOffset   uint32 `json:"pba_offset"`   // bytes
}

// NVMe is what a live NVMe controller says of itself, below /sys/class/nvme/NAME.
type NVMe struct {
	Name       string      `json:"name"`                 // nvme0; moves between boots and returns
	Serial     string      `json:"serial"`               // serial, without the padding; empty is a gap
	Model      string      `json:"model"`                // model, likewise
	Firmware   string      `json:"firmware"`             // firmware_rev
	NQN        string      `json:"nqn,omitempty"`        // subsysnqn; empty: not said
	State      string      `json:"state"`                // state; "live" when it works
	Namespaces []Namespace `json:"namespaces,omitempty"` // empty: it has no drive
}

// Namespace is a drive of an NVMe controller. An identifier that it leaves at
// zero is empty.
type Namespace struct {
	ID          int    `json:"id"`              // nsid
	Block       string `json:"block"`           // kernel name of its block device, "nvme0n1"
	SizeBytes   uint64 `json:"size_bytes"`      // of that device
	SectorBytes uint64 `json:"sector_bytes"`    // logical, of that device
	EUI64       string `json:"eui64,omitempty"` // eui, 16 hexadecimal digits
	NGUID       string `json:"nguid,omitempty"` // nguid, 32 hexadecimal digits
	UUID        string `json:"uuid,omitempty"`  // uuid
	WWID        string `json:"wwid,omitempty"`  // wwid
}

// SizeBytes gives the size of all its drives; 0 where that of one is not known.
func (n *NVMe) SizeBytes() (sum uint64) {
	for _, namespace := range n.Namespaces {
		if namespace.SizeBytes == 0 {
			return 0
		}
		sum += namespace.SizeBytes
	}
	return sum
}

// Title names the function for people: what it is, then where.
func (f Function) Title() string { return f.Name() + " at " + f.Address.String() }

// Name says what the function is: model and serial of an NVMe controller that the
// host's driver has, else its kind.
func (f Function) Name() string {
	if f.NVMe != nil {
		return f.NVMe.Model + " " + f.NVMe.Serial
	}
	return f.Kind()
}

// Kind says what functions like it are called, else the numbers of vendor and device.
func (f Function) Kind() string {
	return cmp.Or(f.DeviceName, f.Vendor.String()+":"+f.Device.String())
}

// Gap gives the gap of that fact, or nil when the fact was read.
func (f Function) Gap(fact string) *Gap { return gapOf(f.Gaps, fact) }

func gapOf(gaps []Gap, fact string) *Gap {
	i := slices.IndexFunc(gaps, func(g Gap) bool { return g.Fact == fact || g.Fact == GapAll })
	if i < 0 {
		return nil
	}
	return &gaps[i]
}

// KindKnown tells whether vendor and device were read: the kind of a function of
// which they were not is none, though the numbers are zero.
func (f Function) KindKnown() bool { return f.Gap("vendor") == nil && f.Gap("device") == nil }

// Bridge tells a bridge or a port from a device: by its header, and by its base
// class (PCI Code and ID Assignment Specification, 06: bridge devices), since
// those of a chipset have the header of a device.
func (f Function) Bridge() bool { return f.HeaderType != 0 || f.Class>>16 == 0x06 }

// OnVFIO tells whether a VFIO driver holds the function. Newer kernels have
// variants for single devices (mlx5-vfio-pci), so the name alone is not enough
// (Linux drivers/vfio/pci: every variant's name contains "vfio").
func (f Function) OnVFIO() bool {
	return f.Driver == "vfio-pci" || isVFIOVariant(f.Driver)
}

// ForVFIO tells whether driver_override keeps the function for VFIO.
func (f Function) ForVFIO() bool { return strings.Contains(f.DriverOverride, "vfio") }

// Overridden tells whether driver_override keeps the function for a driver that is not
// VFIO's. libvirt clears that when a guest gives the function back, so that nobody knows
// which driver the kernel finds for it then.
func (f Function) Overridden() bool {
	return f.DriverOverride != "" && !f.ForVFIO()
}

// Stubbed tells whether only pci-stub has the function, which does nothing with it and
// keeps other drivers away (Linux drivers/pci/pci-stub.c).
func (f Function) Stubbed() bool { return f.Driver == "pci-stub" }

// Subsystem gives its subsystem as lspci -v -n prints it, VENDOR:DEVICE; empty where
// it says none.
func (f *Function) Subsystem() string {
	if f.SubsystemVendor == 0 && f.SubsystemDevice == 0 {
		return ""
	}
	return f.SubsystemVendor.String() + ":" + f.SubsystemDevice.String()
}

// SubsystemGap says why its subsystem is not known, or not all of it; nil: it is.
func (f *Function) SubsystemGap() *Gap {
	return cmp.Or(f.Gap("subsystem_vendor"), f.Gap("subsystem_device"))
}
