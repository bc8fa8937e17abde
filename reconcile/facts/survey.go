package facts

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"lendkeep/spec"
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
	Functions []Function     `json:"functions"`
	Blocks    []Block        `json:"blocks"`
	Mounts    []Mount        `json:"mounts"`
	Swaps     []Swap         `json:"swaps"`
	Paths     []Path         `json:"paths"`
	Claims    []Claim        `json:"vfio_claims"`
	Guard     Guard          `json:"guard"`
	Watch     Watch          `json:"watch,omitzero"`
	Libvirt   Virtualization `json:"libvirt"`

	Firmware    []Firmware      `json:"firmware,omitempty"`             // by path
	Descriptors []Descriptor    `json:"firmware_descriptors,omitempty"` // most preferred first
	Stores      []VariableStore `json:"variable_stores,omitempty"`      // by path
	ROMs        []PlacedROM     `json:"roms,omitempty"`                 // by path
	ROMGap      string          `json:"rom_gap,omitempty"`              // why the folder for them could not be read
	Shims       []PlacedShim    `json:"shims,omitempty"`                // by path
	ShimGap     string          `json:"shim_gap,omitempty"`             // why their folder is not read, or not by QEMU

	Contents []Content `json:"contents,omitempty"` // of the drives and images that were looked into, by what they are of

	Confirmed []string `json:"confirmed,omitempty"` // steps by hand that a person has said are done

	Gaps []Gap `json:"gaps,omitempty"` // whole areas that could not be read
}

// Machine is the host itself.
type Machine struct {
	ID          string  `json:"id,omitempty"` // told from every other host by it; empty: nobody could say
	Name        string  `json:"name"`
	Kernel      string  `json:"kernel"` // release, "6.1.0-56-amd64"
	CommandLine string  `json:"command_line"`
	MemoryBytes uint64  `json:"memory_bytes"`
	CPUs        int     `json:"cpus"`
	IOMMUs      int     `json:"iommus"` // hardware units under /sys/class/iommu
	ZFS         bool    `json:"zfs"`    // the zfs module is loaded
	HugePages   []Pages `json:"huge_pages,omitempty"`
}

// Pages is the host's reserve of one size of huge page.
type Pages struct {
	SizeBytes uint64 `json:"size_bytes"`
	Total     int    `json:"total"`
	Free      int    `json:"free"`
}

// Claim is a VFIO binding by vendor and device number, which takes every
// function of that kind at boot.
type Claim struct {
	Vendor spec.PCIID `json:"vendor"`
	Device spec.PCIID `json:"device"`
	From   string     `json:"from"` // modprobe file or "kernel command line"
}

// Encode writes the survey file: indented JSON with a final newline.
func (s Survey) Encode(w io.Writer) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", " ")
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(s); err != nil {
		return fmt.Errorf("write survey: %w", err)
	}
	return nil
}

// Decode reads a survey file strictly: another version, an unknown field or
// anything after the end is an error.
func Decode(content []byte) (Survey, error) {
	var head struct {
		Format int `json:"format"`
	}
	if err := json.Unmarshal(content, &head); err != nil {
		return Survey{}, fmt.Errorf("read survey: %w", err)
	}
	if head.Format != Format {
		return Survey{}, fmt.Errorf("read survey: it is of version %d, this lendkeep reads version %d; take the survey again", head.Format, Format)
	}
	decoder := json.NewDecoder(bytes.NewReader(content))
	decoder.DisallowUnknownFields()
	var survey Survey
	if err := decoder.Decode(&survey); err != nil {
		return Survey{}, fmt.Errorf("read survey: %w", err)
	}
	return survey, survey.sound()
}

// sound holds the few things that every reader of a survey relies on.
func (s Survey) sound() error {
	seen := map[Address]bool{}
	for _, f := range s.Functions {
		if seen[f.Address] {
			return fmt.Errorf("read survey: function %s is listed twice", f.Address)
		}
		seen[f.Address] = true
	}
	names := map[string]bool{}
	for _, b := range s.Blocks {
		if names[b.Name] {
			return fmt.Errorf("read survey: block device %s is listed twice", b.Name)
		}
		names[b.Name] = true
	}
	guests := map[string]bool{}
	for _, g := range s.Libvirt.Guests {
		if guests[g.Name] {
			return fmt.Errorf("read survey: guest %s is listed twice", g.Name)
		}
		guests[g.Name] = true
	}
	return nil
}
