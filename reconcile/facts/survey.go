package facts

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"slices"
	"time"

	"lendkeep/reconcile/strict"
	"lendkeep/spec/pci"
	"lendkeep/spec/plain"
)

// Format is the version of the survey file. It changes whenever a field
// changes its meaning; a survey of another version is refused, never guessed at.
const Format = 1

// Survey is every fact read off a host. Lists are sorted by address or name,
// so that the same host gives the same bytes.
type Survey struct {
	Format    int            `json:"format"`
	TakenAt   time.Time      `json:"taken_at"` // UTC, whole seconds
	Machine   Machine        `json:"machine"`
	Topology  Topology       `json:"topology,omitzero"`
	Functions []Function     `json:"functions"`
	Blocks    []Block        `json:"blocks"`
	Mounts    []Mount        `json:"mounts"`
	Swaps     []Swap         `json:"swaps"`
	Paths     []Path         `json:"paths"`
	Claims    []Claim        `json:"vfio_claims"`
	Guard     InstalledGuard `json:"guard"`
	Watch     InstalledWatch `json:"watch,omitzero"`
	Libvirt   Virtualization `json:"libvirt"`

	Firmware    []Firmware      `json:"firmware,omitempty"`             // by path
	Descriptors []Descriptor    `json:"firmware_descriptors,omitempty"` // most preferred first
	Stores      []VariableStore `json:"variable_stores,omitempty"`      // by path
	ROMs        []PlacedROM     `json:"roms,omitempty"`                 // by path
	ROMGap      string          `json:"rom_gap,omitempty"`              // why the folder for them could not be read
	Shims       []PlacedShim    `json:"shims,omitempty"`                // by path
	ShimGap     string          `json:"shim_gap,omitempty"`             // why their folder is not read, or not by QEMU

	Contents []Content `json:"contents,omitempty"` // of the drives and images that were looked into, by what they are of

	Asked []Installed `json:"asked,omitempty"` // the systems of running guests that were asked, by guest

	Rooms []Room `json:"rooms,omitempty"` // of the images that a layout or an order has made, by path

	Sessions []Session `json:"sessions,omitempty"` // who is logged in over the network; empty: nobody, or nobody looked

	Confirmed []string `json:"confirmed,omitempty"` // steps by hand that a person has said are done

	Gaps []Gap `json:"gaps,omitempty"` // whole areas that could not be read
}

// AreaGaps gives the gaps of whole areas, libvirt's among them: what the survey does not
// show may be there.
func (s Survey) AreaGaps() []Gap { return slices.Concat(s.Gaps, s.Libvirt.Gaps) }

// Namespaces gives every NVMe drive with the address of its controller.
func (s Survey) Namespaces() iter.Seq2[Address, Namespace] {
	return func(yield func(Address, Namespace) bool) {
		for _, f := range s.Functions {
			if f.NVMe == nil {
				continue
			}
			for _, n := range f.NVMe.Namespaces {
				if !yield(f.Address, n) {
					return
				}
			}
		}
	}
}

// GuestsLimit is the file with the limit of what all guests may have of the memory.
const GuestsLimit = "/sys/fs/cgroup/machine.slice/memory.max"

// Machine is the host itself.
type Machine struct {
	ID          string          `json:"id,omitempty"`           // told from every other host by it, made of /etc/machine-id; empty: nobody could say
	Name        string          `json:"name"`                   // /proc/sys/kernel/hostname
	Kernel      string          `json:"kernel"`                 // release, by /proc/version: "6.1.0-56-amd64"
	CommandLine string          `json:"command_line"`           // /proc/cmdline
	MemoryBytes uint64          `json:"memory_bytes"`           // MemTotal of /proc/meminfo
	CPUs        int             `json:"cpus"`                   // processors of /proc/cpuinfo
	CPUMaker    string          `json:"cpu_maker,omitempty"`    // vendor_id of the first of them, "GenuineIntel"; empty: not said, as on Arm
	AddressBits int             `json:"address_bits,omitempty"` // width of its physical addresses, "address sizes" there; 0: not said
	IOMMUs      int             `json:"iommus"`                 // hardware units under /sys/class/iommu
	Units       []IOMMUUnit     `json:"iommu_units,omitempty"`  // those units, by name
	DMATable    string          `json:"dma_table,omitempty"`    // the firmware's table of them below /sys/firmware/acpi/tables: "DMAR" (Intel), "IVRS" (AMD), "IORT" (Arm); empty: it has none, or no ACPI
	VFIO        []ModuleSetting `json:"vfio,omitempty"`         // parameters of VFIO's modules: /sys/module/NAME/parameters of those that are loaded, then modprobe's files and the kernel's command line
	LimitBytes  uint64          `json:"limit_bytes,omitempty"`  // memory.max of /sys/fs/cgroup/machine.slice, in which libvirt's guests are; 0: they have none together, or none ran yet
	ZFS         bool            `json:"zfs"`                    // the module is loaded: /sys/module/zfs, /proc/modules
	HugePages   []Pages         `json:"huge_pages,omitempty"`   // /sys/kernel/mm/hugepages; empty: the kernel knows none
}

// Pages is the host's reserve of one size of huge page.
type Pages struct {
	SizeBytes uint64 `json:"size_bytes"`         // of one page
	Total     int    `json:"total"`              // nr_hugepages
	Free      int    `json:"free"`               // free_hugepages
	Surplus   int    `json:"surplus,omitempty"`  // surplus_hugepages of a node: of Total, those that the kernel takes back as soon as nobody uses them
	Promised  int    `json:"promised,omitempty"` // resv_hugepages of the host: of Free, those that programs have asked for and not touched yet
	Spare     int    `json:"spare,omitempty"`    // nr_overcommit_hugepages of the host: how many more the kernel makes of free memory when a program asks for them
}

// Claim is a VFIO binding by vendor and device number, which takes every
// function of that kind at boot.
type Claim struct {
	Vendor pci.ID `json:"vendor"`
	Device pci.ID `json:"device"`
	From   string `json:"from"` // modprobe file or "kernel command line"
}

// Whole gives the survey with every list that it must have: Decode refuses one
// without, and a list of nothing is written as one.
func (s Survey) Whole() Survey {
	s.Functions, s.Blocks, s.Mounts = listed(s.Functions), listed(s.Blocks), listed(s.Mounts)
	s.Swaps, s.Paths, s.Claims = listed(s.Swaps), listed(s.Paths), listed(s.Claims)
	return s
}

// Encode writes the survey file: indented JSON with a final newline.
func (s Survey) Encode(w io.Writer) error {
	var content bytes.Buffer
	encoder := json.NewEncoder(&content)
	encoder.SetIndent("", " ")
	encoder.SetEscapeHTML(false)
	err := encoder.Encode(s.Whole())
	if err == nil {
		_, err = w.Write(plain.JSON(content.Bytes()))
	}
	if err != nil {
		return fmt.Errorf("write survey: %w", err)
	}
	return nil
}

func listed[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// MaxBytes bounds a survey file: a host with 250 controllers and 200 guests
// makes about 3 MB.
const MaxBytes = 64 << 20

// Decode reads a survey file strictly: another version, an unknown field, one
// that is there twice or is missing, anything after the end, and facts that
// contradict each other are errors. What a survey lacks would count as not
// there, so that a drive in use would look free.
func Decode(content []byte) (Survey, error) {
	var head struct {
		Format int `json:"format"`
	}
	if err := strict.ReadSome(content, MaxBytes, &head); err != nil {
		return Survey{}, fmt.Errorf("read survey: %w; take the survey again", err)
	}
	if head.Format != Format {
		return Survey{}, fmt.Errorf("read survey: it is of version %d, this lendkeep reads version %d; take the survey again", head.Format, Format)
	}
	var survey Survey
	if err := strict.ReadWhole(content, MaxBytes, &survey); err != nil {
		return Survey{}, fmt.Errorf("read survey: %w; take the survey again", err)
	}
	if err := survey.sound(); err != nil {
		return Survey{}, fmt.Errorf("read survey: %w; take the survey again", err)
	}
	return survey, nil
}
