package dump

import (
	"cmp"
	"encoding/xml"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// Pool takes a pool's XML in (libvirt storage pool format).
func (s *Seen) Pool(text string, active bool) error {
	var p struct {
		XMLName xml.Name `xml:"pool"`
		Kind    string   `xml:"type,attr"`
		Name    string   `xml:"name"`
		Devices []struct {
			Path string `xml:"path,attr"`
		} `xml:"source>device"`
		Target string `xml:"target>path"`
	}
	if err := xml.Unmarshal([]byte(text), &p); err != nil {
		return fmt.Errorf("read pool: %w", err)
	}
	if p.Name == "" {
		return fmt.Errorf("read pool: it has no name")
	}
	s.keep("pools", p.Name, ".xml", text, true)
	s.keep("pools", p.Name, ".active", "", active)
	pool := facts.Pool{Name: p.Name, Kind: p.Kind, Active: active, Target: p.Target}
	for _, d := range p.Devices {
		if d.Path != "" {
			pool.Sources = append(pool.Sources, d.Path)
		}
	}
	s.Pools = append(s.Pools, pool)
	return nil
}

// Network takes a network's XML in (libvirt network format, <forward>).
func (s *Seen) Network(text string) error {
	var n struct {
		XMLName xml.Name `xml:"network"`
		Name    string   `xml:"name"`
		Forward struct {
			Dev       string `xml:"dev,attr"`
			Parents   []card `xml:"pf"`
			Cards     []card `xml:"interface"`
			Functions []struct {
				Segment  string `xml:"domain,attr"`
				Bus      string `xml:"bus,attr"`
				Slot     string `xml:"slot,attr"`
				Function string `xml:"function,attr"`
			} `xml:"address"`
		} `xml:"forward"`
	}
	if err := xml.Unmarshal([]byte(text), &n); err != nil {
		return fmt.Errorf("read network: %w", err)
	}
	if n.Name == "" {
		return fmt.Errorf("read network: it has no name")
	}
	s.keep("networks", n.Name, ".xml", text, true)
	network := facts.Network{Name: n.Name}
	for _, f := range n.Forward.Functions {
		at, err := definition.AddressOf(f.Segment, f.Bus, f.Slot, f.Function)
		if err != nil {
			return fmt.Errorf("read network %s: %w", n.Name, err)
		}
		network.Functions = append(network.Functions, at)
	}
	for _, c := range append(append([]card{{n.Forward.Dev}}, n.Forward.Parents...), n.Forward.Cards...) {
		if c.Dev != "" && !slices.Contains(network.Cards, c.Dev) {
			network.Cards = append(network.Cards, c.Dev)
		}
	}
	s.Networks = append(s.Networks, network)
	return nil
}

type card struct {
	Dev string `xml:"dev,attr"`
}

// capabilities is the part of libvirt's capabilities that matters here
// (libvirt driver capabilities format).
type capabilities struct {
	XMLName xml.Name `xml:"capabilities"`
	Arch    string   `xml:"host>cpu>arch"`
	IOMMU   *struct {
		Support string `xml:"support,attr"`
	} `xml:"host>iommu"`
	Cells  []cell      `xml:"host>topology>cells>cell"`
	Guests []guestKind `xml:"guest"`
}

// cell is a NUMA node of the host.
type cell struct {
	Node int `xml:"id,attr"`
	CPUs []struct {
		ID       int    `xml:"id,attr"`
		Siblings string `xml:"siblings,attr"`
	} `xml:"cpus>cpu"`
}

// fact gives a cell as facts have it; sets that are none are left out.
func (c cell) fact() facts.Cell {
	on := facts.CPUs{}
	made := facts.Cell{Node: c.Node}
	for _, cpu := range c.CPUs {
		on[cpu.ID] = true
		if core, err := facts.ParseCPUs(cpu.Siblings); err == nil && !slices.Contains(made.Cores, core.String()) {
			made.Cores = append(made.Cores, core.String())
		}
	}
	made.CPUs = on.String()
	return made
}

// guestKind is an architecture that the host can run guests of.
type guestKind struct {
	System   string `xml:"os_type"`
	Machines arch   `xml:"arch"`
}

type arch struct {
	Name     string `xml:"name,attr"`
	Emulator string `xml:"emulator"`
	Types    []struct {
		Type     string `xml:"type,attr"`
		Emulator string `xml:"emulator"` // where this type has one of its own
	} `xml:"domain"`
}

// guestTypes are the types of guest that lendkeep can make, best first.
var guestTypes = []string{"kvm", "qemu", "test"}

// Host takes the capabilities in: whether the host has an IOMMU, and
// which type of guest runs best on it, with its emulator.
func (s *Seen) Host(text string) error {
	s.keep("", "capabilities", ".xml", text, true)
	var c capabilities
	if err := xml.Unmarshal([]byte(text), &c); err != nil {
		return fmt.Errorf("read capabilities: %w", err)
	}
	if c.IOMMU != nil {
		has := c.IOMMU.Support == "yes"
		s.IOMMU = &has
	}
	for _, cell := range c.Cells {
		s.Cells = append(s.Cells, cell.fact())
	}
	machines := c.native()
	if machines == nil {
		return fmt.Errorf("read capabilities: the host runs no guests with hardware of their own (hvm)")
	}
	for _, kind := range guestTypes {
		for _, t := range machines.Types {
			if t.Type == kind {
				s.GuestType, s.Emulator = kind, cmp.Or(t.Emulator, machines.Emulator)
				return nil
			}
		}
	}
	return fmt.Errorf("read capabilities: the host runs none of the types of guest %s", strings.Join(guestTypes, ", "))
}

// native gives the host's own architecture, or else the first there is.
func (c capabilities) native() *arch {
	hvm := slices.DeleteFunc(slices.Clone(c.Guests), func(g guestKind) bool { return g.System != "hvm" })
	for i := range hvm {
		if hvm[i].Machines.Name == c.Arch {
			return &hvm[i].Machines
		}
	}
	if len(hvm) == 0 {
		return nil
	}
	return &hvm[0].Machines
}
