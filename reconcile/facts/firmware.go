package facts

import (
	"path"
	"slices"
)

// Held says whether firmware holds a part, or a variable store holds keys.
type Held string

// What could not be read in full is unknown, never absent. The zero value is
// of surveys that did not ask, and means unknown too.
const (
	Present Held = "present"
	Absent  Held = "absent"
	Unknown Held = "unknown"
)

// Firmware is a firmware image of the host: one that a guest's definition, one
// of QEMU's descriptors or, where the host itself is read, the layout names.
type Firmware struct {
	Path   string `json:"path"` // as it is named there
	SHA256 string `json:"sha256,omitempty"`
	NVMe   Held   `json:"nvme"`             // the driver for NVMe drives
	Shell  Held   `json:"shell"`            // the UEFI Shell, of which a shim disk is made
	Driver string `json:"driver,omitempty"` // sha256 of the NVMe driver as an option ROM holds it
	Why    string `json:"why,omitempty"`    // why one of these is unknown

	ShellSum string `json:"shell_sha256,omitempty"` // of the UEFI Shell
	Virtio   Held   `json:"virtio,omitempty"`       // the driver for virtio block disks
}

// Descriptor is one of the descriptions from which libvirt chooses an image by
// itself, for a guest with firmware='efi' (QEMU docs/interop/firmware.json).
type Descriptor struct {
	File     string          `json:"file"`
	Image    string          `json:"image"`
	Template string          `json:"template,omitempty"` // of the guest's variable store
	UEFI     bool            `json:"uefi"`
	Features []string        `json:"features,omitempty"` // "secure-boot", "enrolled-keys", "requires-smm"
	Targets  []MachineTarget `json:"targets,omitempty"`
}

// MachineTarget is a kind of machine that an image is made for.
type MachineTarget struct {
	Architecture string   `json:"architecture"`
	Machines     []string `json:"machines,omitempty"` // patterns, "pc-q35-*"
}

// VariableStore is the file with a guest's firmware variables, or a template
// for one.
type VariableStore struct {
	Path    string `json:"path"`
	Missing bool   `json:"missing,omitempty"` // libvirt makes it from the template at the next start
	Keys    Held   `json:"keys"`              // a platform key is enrolled
	Why     string `json:"why,omitempty"`     // why that is unknown

	SHA256  string      `json:"sha256,omitempty"`  // of the file
	Raw     bool        `json:"raw,omitempty"`     // it is not an image of another format around the variables
	Entries []BootEntry `json:"entries,omitempty"` // by number
	Next    *uint16     `json:"next,omitempty"`    // number of the entry that is tried once before all others
	Unread  string      `json:"unread,omitempty"`  // why an entry may be missing here
}

// Boot is how a definition has its guest start.
type Boot struct {
	Firmware     string    `json:"firmware,omitempty"`  // "uefi", "bios"; empty: cannot be told
	Automatic    bool      `json:"automatic,omitempty"` // libvirt chooses the image (firmware='efi')
	Loader       string    `json:"loader,omitempty"`    // path of the image, where one is named
	NVRAM        string    `json:"nvram,omitempty"`     // path of the variable store
	Template     string    `json:"template,omitempty"`  // what the store is made from
	Secure       bool      `json:"secure,omitempty"`    // the image may use SMM to protect its variables (secure='yes')
	Asked        []Feature `json:"asked,omitempty"`     // of the automatic choice
	Architecture string    `json:"architecture,omitempty"`
	Machine      string    `json:"machine,omitempty"`
	Ranked       []Ranked  `json:"ranked,omitempty"` // devices with a place in the boot order, as they stand
	Kinds        []string  `json:"kinds,omitempty"`  // <os><boot dev>: "hd", "cdrom", "network", "fd"
}

// Feature is what a definition asks of the image that libvirt chooses.
type Feature struct {
	Name    string `json:"name"`
	Enabled bool   `json:"enabled"`
}

// Ranked is a device with a place in a guest's boot order.
type Ranked struct {
	Device  string   `json:"device"` // for people: "disk vda"
	Order   int      `json:"order"`
	Hostdev *Address `json:"hostdev,omitempty"` // the function, where the device is a lent one
}

// Image gives what is known of the image at a path, or nil.
func (ix *Index) Image(named string) *Firmware {
	for i := range ix.Survey.Firmware {
		if f := &ix.Survey.Firmware[i]; f.Path == named {
			return f
		}
	}
	return nil
}

// FirmwareOf gives the UEFI image that a guest starts with; nil when it is not
// known, with the reason.
func (ix *Index) FirmwareOf(b Boot) (*Firmware, string) {
	named := b.Loader
	if named == "" && b.Automatic {
		d := ix.Chosen(b)
		if d == nil {
			return nil, "none of QEMU's firmware descriptors that the survey read fits what its definition asks for"
		}
		named = d.Image
	}
	if named == "" {
		return nil, "its definition names no image"
	}
	if f := ix.Image(named); f != nil {
		return f, ""
	}
	return nil, "the survey did not look at " + named
}

// Chosen gives the descriptor that libvirt chooses for a guest: the first that
// fits (from memory: libvirt 9.0 src/qemu/qemu_firmware.c,
// qemuFirmwareMatchDomain).
func (ix *Index) Chosen(b Boot) *Descriptor {
	for i := range ix.Survey.Descriptors {
		if d := &ix.Survey.Descriptors[i]; d.fits(b) {
			return d
		}
	}
	return nil
}

func (d Descriptor) fits(b Boot) bool {
	if !d.UEFI || d.Image == "" || b.Secure && !slices.Contains(d.Features, "requires-smm") {
		return false
	}
	for _, asked := range b.Asked {
		if slices.Contains(d.Features, asked.Name) != asked.Enabled {
			return false
		}
	}
	return slices.ContainsFunc(d.Targets, func(t MachineTarget) bool {
		return t.Architecture == b.Architecture && slices.ContainsFunc(t.Machines, func(pattern string) bool {
			fits, err := path.Match(pattern, canonical(b.Machine))
			return err == nil && fits
		})
	})
}

// canonical gives a machine's full name for the two short ones, which libvirt
// replaces as soon as it knows a guest. The version does not matter here.
func canonical(machine string) string {
	switch machine {
	case "q35":
		return "pc-q35-latest"
	case "pc":
		return "pc-i440fx-latest"
	default:
		return machine
	}
}

// Signing is whether a guest's firmware refuses programs that are not signed.
type Signing struct {
	On    Held
	Store string // path of the variable store that says so; empty: none is named
	Why   string // why it is unknown
}

// SecureBoot tells whether a guest's firmware refuses programs that are not
// signed: it can, and its variable store has a platform key (UEFI 2.10, 32.3).
func (ix *Index) SecureBoot(b Boot) Signing {
	if !ix.canSecure(b) {
		return Signing{On: Absent}
	}
	template := b.Template
	if d := ix.Chosen(b); template == "" && d != nil && b.Automatic && b.Loader == "" {
		template = d.Template
	}
	for _, named := range []string{b.NVRAM, template} {
		i := slices.IndexFunc(ix.Survey.Stores, func(s VariableStore) bool { return s.Path == named })
		switch {
		case named == "":
		case i < 0:
			return Signing{Unknown, named, "the survey did not look at " + named}
		case !ix.Survey.Stores[i].Missing:
			return Signing{ix.Survey.Stores[i].Keys, named, ix.Survey.Stores[i].Why}
		}
	}
	return Signing{On: Unknown, Why: "neither its variable store nor what that is made from is there"}
}

// canSecure tells whether the image may know Secure Boot: one that a
// descriptor lists without it does not.
func (ix *Index) canSecure(b Boot) bool {
	named := b.Loader
	if d := ix.Chosen(b); named == "" && b.Automatic && d != nil {
		named = d.Image
	}
	listed := false
	for _, d := range ix.Survey.Descriptors {
		if d.Image != named {
			continue
		}
		if slices.Contains(d.Features, "secure-boot") {
			return true
		}
		listed = true
	}
	return !listed
}
