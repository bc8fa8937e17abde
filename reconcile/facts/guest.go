package facts

import (
	"slices"

	"lendkeep/spec/pci"
)

// Virtualization is what libvirt says.
type Virtualization struct {
	URI       string    `json:"uri,omitempty"`
	Version   string    `json:"version,omitempty"`
	Guests    []Guest   `json:"guests,omitempty"`
	Pools     []Pool    `json:"pools,omitempty"`
	Networks  []Network `json:"networks,omitempty"`
	IOMMU     *bool     `json:"iommu,omitempty"` // host capabilities: <iommu support>; nil: not said
	Emulator  string    `json:"emulator,omitempty"`
	Cells     []Cell    `json:"cells,omitempty"`      // host capabilities: <topology>; what libvirt takes for the nodes and cores
	GuestType string    `json:"guest_type,omitempty"` // best type for new guests: "kvm", "qemu", "test"
	Offers    Offers    `json:"offers,omitzero"`      // to new guests
	Gaps      []Gap     `json:"gaps,omitempty"`
}

// Cell is a NUMA node of the host as libvirt sees it.
type Cell struct {
	Node  int      `json:"node"`
	CPUs  string   `json:"cpus,omitempty"`  // "0-3,8-11"; empty: it has none
	Cores []string `json:"cores,omitempty"` // siblings of each core, "0,8"
}

// Offers is what libvirt's domain capabilities (virConnectGetDomainCapabilities)
// say of new guests of the kind that lendkeep makes. What they do not say, a guest
// does not get.
type Offers struct {
	TPM    []string `json:"tpm,omitempty"`    // models of a TPM 2.0 that swtpm gives: "tpm-crb", "tpm-tis"; empty: none
	HyperV []string `json:"hyperv,omitempty"` // Hyper-V's enlightenments by libvirt's names: "relaxed"; empty: none
	Random bool     `json:"random,omitempty"` // a virtio source of random bytes that the host's random device feeds
	Why    string   `json:"why,omitempty"`    // why nothing of this is known; empty: it is
}

// Guest is a virtual machine that libvirt knows.
type Guest struct {
	Name      string      `json:"name"`
	UUID      string      `json:"uuid"`
	Running   bool        `json:"running"`
	Condition string      `json:"condition"` // libvirt's word: "running", "paused", "shut off"
	Autostart bool        `json:"autostart,omitempty"`
	Kept      *Definition `json:"kept,omitempty"` // used at the next start; nil for a transient guest
	Live      *Definition `json:"live,omitempty"` // in force now; nil when off
}

// Definition is a guest's XML as libvirt gave it, and what was read from it.
type Definition struct {
	XML         string     `json:"xml"`
	Hostdevs    []Hostdev  `json:"hostdevs,omitempty"`
	Disks       []Disk     `json:"disks,omitempty"`
	Reaches     []Reach    `json:"reaches,omitempty"`
	Identities  []Identity `json:"identities,omitempty"`
	MemoryBytes uint64     `json:"memory_bytes"`
	CPUs        int        `json:"cpus"`
	HugePages   bool       `json:"huge_pages,omitempty"`
	Portions    []Portion  `json:"portions,omitempty"`     // of its memory, where not all of it is in huge pages of page_bytes from memory_nodes
	PageBytes   uint64     `json:"page_bytes,omitempty"`   // of one of them; 0: none, or of several sizes or the host's default
	MemoryNodes string     `json:"memory_nodes,omitempty"` // the host's NUMA nodes that all its memory comes from, "0-1"; empty: any
	Pinned      string     `json:"pinned_cpus,omitempty"`  // the host's CPUs that its processors are pinned to; empty: none is
	Locked      bool       `json:"locked,omitempty"`       // all its memory stays in place
	Boot        Boot       `json:"boot"`
	Addressing  Addressing `json:"addressing,omitzero"`
}

// Portion is a part of a guest's memory that is in huge pages of one size.
type Portion struct {
	Bytes     uint64 `json:"bytes"`
	PageBytes uint64 `json:"page_bytes,omitempty"`   // 0: the host's default
	Nodes     string `json:"memory_nodes,omitempty"` // as those of the definition
}

// Paged gives the parts of a guest's memory that are in huge pages.
func (d *Definition) Paged() []Portion {
	if d.HugePages && len(d.Portions) == 0 && d.MemoryBytes > 0 {
		return []Portion{{d.MemoryBytes, d.PageBytes, d.MemoryNodes}}
	}
	return d.Portions
}

// PagedBytes gives how much of a guest's memory is in huge pages.
func (d *Definition) PagedBytes() (sum uint64) {
	for _, p := range d.Paged() {
		sum += p.Bytes
	}
	return sum
}

// Hostdev is a PCI function in a guest's definition (<hostdev type='pci'>).
type Hostdev struct {
	Address   Address `json:"address"`
	Managed   bool    `json:"managed"`
	BootOrder int     `json:"boot_order,omitempty"` // 0: none
	ROM       string  `json:"rom,omitempty"`        // option ROM file that QEMU gives it; empty: its own
}

// Disk is a disk in a guest's definition, or other storage of the host that the
// guest reads or writes; Source is empty for an empty drive.
type Disk struct {
	Target string `json:"target"` // "vda"
	Kind   string `json:"kind"`   // "file", "block", "volume", "network", "dir", "nvram", "nvme", "shim"
	Source string `json:"source,omitempty"`
	Device string `json:"device"` // "disk", "cdrom"; "backing", "mirror": further images of a disk; "filesystem": a shared folder; "nvram"
	Pool   string `json:"pool,omitempty"`
	Volume string `json:"volume,omitempty"`
	Format string `json:"format,omitempty"` // of the image, as the definition says it: "qcow2"; empty: it does not

	ReadOnly  bool `json:"read_only,omitempty"` // the guest cannot write it
	Shareable bool `json:"shareable,omitempty"` // meant to be written by several guests at once
}

// Reach is something of the host that a definition names besides its disks and
// the functions that it lends.
type Reach struct {
	At       string    `json:"at"` // place in the definition, "devices/serial/source/@path"
	Kind     ReachKind `json:"kind"`
	Name     string    `json:"name,omitempty"` // by its kind: the path, the address, ...
	ReadOnly bool      `json:"read_only,omitempty"`
}

// ReachKind says what the name of a Reach is.
type ReachKind string

// What cannot be told apart is ReachUnclear: the guest may use more than can be
// read of its definition.
const (
	ReachPath    ReachKind = "path"    // a file, folder, device node or socket of the host
	ReachPCI     ReachKind = "pci"     // the address of a PCI function
	ReachParent  ReachKind = "parent"  // the address of a PCI function of which something that hangs on it is used
	ReachSCSI    ReachKind = "scsi"    // a SCSI device "0:0:1:0", or all of a SCSI host "0"; empty: which one is not known
	ReachUSB     ReachKind = "usb"     // a USB device, "1:4" (bus:device) or "0951:1666" (vendor:product, four digits each); empty: which one is not known
	ReachMdev    ReachKind = "mdev"    // UUID of a mediated device
	ReachCard    ReachKind = "card"    // a network interface of the host, "eth0"
	ReachNetwork ReachKind = "network" // one of libvirt's virtual networks
	ReachUnclear ReachKind = "unclear" // Name says what could not be understood
)

// Functions gives every PCI function that a definition holds, however it names
// it, each once: those that it lends, and those that it reaches.
func (d *Definition) Functions() []Address {
	var list []Address
	add := func(at Address) {
		if !slices.Contains(list, at) {
			list = append(list, at)
		}
	}
	for _, l := range d.Hostdevs {
		add(l.Address)
	}
	for _, r := range d.Reaches {
		// One that is no address is told as unclear by whoever read it.
		if at, err := ParseAddress(r.Name); r.Kind == ReachPCI && err == nil {
			add(at)
		}
	}
	return list
}

// Pins tells whether a guest's memory stays in place as a whole: with a device
// that may write to any of it at any time (Linux
// Documentation/driver-api/vfio.rst), or by its own wish.
func (d *Definition) Pins() bool {
	if len(d.Hostdevs) > 0 || d.Locked {
		return true
	}
	return slices.ContainsFunc(d.Reaches, func(r Reach) bool { return r.Kind == ReachPCI || r.Kind == ReachMdev }) ||
		slices.ContainsFunc(d.Disks, func(disk Disk) bool { return disk.Kind == "vhostvdpa" })
}

// Identity is lendkeep's note in a guest's <metadata>: which controller was
// meant by an address. It is the one way to know a controller while it is lent,
// when it can say nothing of itself to the host.
type Identity struct {
	Controller string  `json:"controller"` // name in the layout
	Address    Address `json:"address"`
	Vendor     pci.ID  `json:"vendor"`
	Device     pci.ID  `json:"device"`
	Serial     string  `json:"serial,omitempty"`
	Model      string  `json:"model,omitempty"` // where the layout states it, since another controller has that serial
	// Functions has all functions of the slot where they are the controller together;
	// the address, vendor and device are then those of the first.
	Functions Makes `json:"functions,omitzero"`
	// Virtual says whose virtual function the controller is; zero: it is none.
	Virtual VirtualOf `json:"virtual,omitzero"`
}

// Pool is a storage pool of libvirt's.
type Pool struct {
	Name    string   `json:"name"`
	Kind    string   `json:"kind"` // "dir", "fs", "logical", "disk", ...
	Active  bool     `json:"active"`
	Target  string   `json:"target,omitempty"`
	Sources []string `json:"sources,omitempty"` // device paths
}

// Network is one of libvirt's virtual networks, with what of the host a guest in
// it may be given: libvirt chooses when the guest starts.
type Network struct {
	Name      string    `json:"name"`
	Functions []Address `json:"functions,omitempty"` // PCI functions that are lent, or whose virtual functions are
	Cards     []string  `json:"cards,omitempty"`     // network interfaces that guests share, or that belong to such functions
}
