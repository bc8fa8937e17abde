package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/place"
)

// Wanted is what a layout states of one guest, resolved to one host: devices
// to addresses, partitions to paths, nearness to CPU numbers (Near). A zero field
// states nothing, and what the definition has stays.
type Wanted struct {
	Name string `json:"name"`

	// Read by Create alone.
	Type     string `json:"type,omitempty"`     // "kvm" when empty; "qemu", "test"
	Emulator string `json:"emulator,omitempty"` // path; empty: libvirt chooses
	System   string `json:"system,omitempty"`   // "windows", "linux"; empty: not stated
	// Offers is what libvirt can give such a guest; what it does not say is not asked of it.
	Offers facts.Offers `json:"offers,omitzero"`

	Firmware    string    `json:"firmware,omitempty"` // "uefi", "bios" or the path of a firmware image
	CPUs        int       `json:"cpus,omitempty"`
	Near        *Near     `json:"near,omitempty"` // nil: not stated; with it CPUs are
	MemoryBytes uint64    `json:"memory_bytes,omitempty"`
	HugePages   *bool     `json:"huge_pages,omitempty"`
	PageBytes   uint64    `json:"page_bytes,omitempty"` // of one of them; 0: not stated
	Disks       []Disk    `json:"disks,omitempty"`
	Networks    []Network `json:"networks,omitempty"`
	Leaves      []Disk    `json:"leaves,omitempty"` // images that the guest shall not have as disks any more, by their source alone; the files stay

	// Borrows is complete: of the controllers in Known, and of those that
	// lendkeep has noted in the guest, the guest keeps no other. Devices that
	// the layout says nothing about are left alone.
	Borrows []Borrowed       `json:"borrows,omitempty"`
	Known   []facts.Identity `json:"known,omitempty"` // every controller of the layout, as it is on this host now
}

// Borrowed is a controller that the guest shall have.
type Borrowed struct {
	Identity facts.Identity `json:"record"`
	Boots    bool           `json:"boots,omitempty"` // the guest starts from it; at most one of a guest
	ROM      string         `json:"rom,omitempty"`   // path of the option ROM that it gets; empty: none of lendkeep's
	Shim     *ShimDisk      `json:"shim,omitempty"`  // by which the guest starts from it; nil: none of lendkeep's
}

// Disk is a virtual disk that the guest shall have.
type Disk struct {
	Name   string `json:"name"`
	Source string `json:"source"`           // path of a file or block device
	Kind   string `json:"kind"`             // "file" or "block"
	Format string `json:"format,omitempty"` // "qcow2", "raw"; needed for a file that is new to the guest
	Pool   string `json:"pool,omitempty"`   // libvirt's pool and volume of that name,
	Volume string `json:"volume,omitempty"` // where Source lies in one
	Bus    string `json:"bus,omitempty"`    // "virtio" when empty and the disk is new; "scsi", "sata"
}

// Network is a network card that the guest shall have; exactly one of Bridge
// and Network is set.
type Network struct {
	Name    string `json:"name"`
	Bridge  string `json:"bridge,omitempty"`
	Network string `json:"network,omitempty"`
	Model   string `json:"model,omitempty"` // "virtio" when empty and the card is new
	MAC     string `json:"mac,omitempty"`
}

// check refuses what cannot be written into a definition, or must not be.
func (w Wanted) check() error {
	if w.Name == "" {
		return fmt.Errorf("the guest has no name")
	}
	if w.System != "" && w.System != "windows" && w.System != "linux" {
		return fmt.Errorf("guest %s: %q is no system that is known", w.Name, w.System)
	}
	for _, value := range w.texts() {
		if !writable(value) {
			return fmt.Errorf("guest %s: %q cannot be written in XML", w.Name, value)
		}
	}
	return cmp.Or(w.checkBorrows(), w.checkNear(), w.checkPages(), w.checkDisks(), w.checkShims(), w.checkNetworks())
}

func (w Wanted) checkBorrows() error {
	boots := ""
	at := map[facts.Address]string{}
	for _, b := range w.Borrows {
		name := b.Identity.Controller
		for _, part := range b.Identity.Addresses() {
			if other, twice := at[part]; twice {
				return fmt.Errorf("guest %s: %s and %s are both at %s", w.Name, other, name, part)
			}
			at[part] = name
		}
		if b.Boots && boots != "" {
			return fmt.Errorf("guest %s cannot start from both %s and %s", w.Name, boots, name)
		}
		if b.Boots {
			boots = name
		}
	}
	return nil
}

// checkDisks refuses the same source twice: two disks would write to it at once.
func (w Wanted) checkDisks() error {
	sources := map[string]string{}
	for _, d := range w.Disks {
		if other, twice := sources[d.Source]; twice {
			return fmt.Errorf("guest %s: disks %s and %s are both %s", w.Name, other, d.Name, d.Source)
		}
		sources[d.Source] = d.Name
		if slices.ContainsFunc(w.Leaves, func(l Disk) bool { return l.Source == d.Source }) {
			return fmt.Errorf("guest %s: its system moves from %s to a drive, and disk %s would give it the image as well", w.Name, d.Source, d.Name)
		}
		if d.Source == "" || (d.Kind != "file" && d.Kind != "block") {
			return fmt.Errorf("disk %s of guest %s has no file or block device", d.Name, w.Name)
		}
		if wrong := place.Wrong(d.Source); d.Kind == "file" && wrong != "" {
			return fmt.Errorf("disk %s of guest %s at %s: %s", d.Name, w.Name, d.Source, wrong)
		}
	}
	return nil
}

func (w Wanted) checkNetworks() error {
	for _, n := range w.Networks {
		if (n.Bridge == "") == (n.Network == "") {
			return fmt.Errorf("network %s of guest %s: one of bridge and network must be stated", n.Name, w.Name)
		}
	}
	return nil
}

// texts lists every text that goes into a definition.
func (w Wanted) texts() []string {
	list := []string{w.Name, w.Type, w.Emulator, w.Firmware}
	for _, d := range w.Disks {
		list = append(list, d.Name, d.Source, d.Kind, d.Format, d.Bus)
	}
	for _, n := range w.Networks {
		list = append(list, n.Name, n.Bridge, n.Network, n.Model, n.MAC)
	}
	for _, b := range w.Borrows {
		list = append(list, b.Identity.Controller, b.Identity.Serial, b.ROM)
		if b.Shim != nil {
			list = append(list, b.Shim.Path, b.Shim.Bus)
		}
	}
	return list
}

// writable tells whether libvirt would give a text back as it is: it drops
// control characters without a word (virBufferEscapeString) and strips white
// space from names. XML itself has no place for some others (XML 1.0, 2.2).
func writable(value string) bool {
	outside := func(r rune) bool {
		return unicode.IsControl(r) || r == utf8.RuneError || r == '\uFFFE' || r == '\uFFFF'
	}
	return utf8.ValidString(value) && !strings.ContainsFunc(value, outside) && strings.TrimSpace(value) == value
}

// title names a controller for people.
func title(r facts.Identity) string {
	if r.IsVirtual() {
		return fmt.Sprintf("%s (%s)", r.Controller, r.Virtual)
	}
	if r.Serial == "" {
		return fmt.Sprintf("%s (%s:%s)", r.Controller, r.Vendor, r.Device)
	}
	return fmt.Sprintf("%s (%s)", r.Controller, r.Serial)
}

// titleAt names one function of a controller for people.
func titleAt(r facts.Identity, at facts.Address) string {
	if r.Whole() && r.Has(at) {
		return fmt.Sprintf("%s (%s)", r.Controller, r.Functions[at.Function].Kind())
	}
	return title(r)
}
