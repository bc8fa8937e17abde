package adopt

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// controller is a PCI function, or all of a slot, and how a layout states it.
type controller struct {
	f          *facts.Function   // the first
	others     []*facts.Function // of its slot, where they are one controller
	name       string
	nvme       *spec.NVMeIdentity
	pci        *spec.PCIIdentity
	virtual    *spec.VirtualIdentity
	parent     *controller   // of a virtual function
	virtuals   []*controller // those that it makes
	mounts     []spec.Mount
	partitions []spec.Partition // of those mounts
	out        string           // why it is not carried over; empty: it is
	uses       []facts.Use
	lodgers    map[string]bool       // guests with disks on its drives
	verdict    func() assess.Verdict // computed when it is first asked for
}

func (c *controller) title() string { return "The controller " + c.f.Title() }

// stated is the controller's block.
func (c *controller) stated() *spec.Controller {
	block := bare(c)
	block.Return.Mounts = c.mounts
	if len(c.partitions) > 0 {
		block.Drive = &spec.Drive{Partitions: c.partitions}
	}
	return block
}

// controller finds out how a function is stated, alone or with the others of its
// slot. Names that are taken are not used.
func (h *host) controller(f *facts.Function, others []*facts.Function, names map[string]bool) *controller {
	c := &controller{f: f, others: others, uses: h.ix.Uses(f.Address), lodgers: map[string]bool{}}
	for _, other := range others {
		c.uses = append(c.uses, h.ix.Uses(other.Address)...)
	}
	c.verdict = sync.OnceValue(func() assess.Verdict { return assess.VerdictOn(h.ix, f) })
	for _, use := range c.uses {
		if use.Kind == facts.UseGuest {
			c.lodgers[use.User] = true
		}
	}
	c.nvme, c.pci = assess.StatedAs(h.ix, f)
	record := h.record(f)
	if record != nil && record.Serial != "" && f.NVMe == nil {
		c.nvme, c.pci = &spec.NVMeIdentity{Serial: record.Serial, Model: record.Model}, nil
	}
	if len(others) > 0 {
		c.nvme, c.pci = nil, assess.StatedWhole(h.ix, f)
	}
	if record != nil {
		c.name = record.Controller
	}
	if c.name == "" || names[c.name] || sayable(spec.Part{Controller: &spec.Controller{Name: c.name, PCI: &spec.PCIIdentity{}}}) != nil {
		c.name = named(f, names)
	}
	names[c.name] = true
	c.out = h.unstatable(c)
	return c
}

// unstatable says why a function cannot be stated as a controller of a layout that
// changes nothing; empty: it can.
func (h *host) unstatable(c *controller) string {
	where, holder := h.where(c)
	switch {
	case c.f.Parent != nil && where != facts.Aside:
		return "" // join finds out
	case c.nvme == nil && c.f.Class == facts.ClassNVMe && where == facts.Lent:
		return "guest " + holder.Name + " has it now, so it cannot say its serial; shut the guest down and adopt the host again, or write it down by hand"
	case where == facts.Aside:
		return "it is on VFIO although no guest has it; an order would give it back to the host"
	case c.nvme == nil && c.pci == nil && !c.f.KindKnown():
		return "its vendor or device number could not be read, and nothing else states it"
	case c.nvme == nil && c.pci == nil:
		return "nothing that a layout can state tells it from others of its kind"
	}
	if err := sayable(spec.Part{Controller: c.stated()}); err != nil {
		c.nvme, c.pci = nil, nil
		return "a layout cannot state it: " + err.Error()
	}
	return ""
}

// where tells whether a function is lent or put aside, and to which guest.
func (h *host) where(c *controller) (facts.Whereabouts, *facts.Guest) {
	if c.f.Parent != nil {
		return h.ix.WhereIs(c.f)
	}
	r := facts.Identity{Address: c.f.Address, Vendor: c.f.Vendor, Device: c.f.Device}
	if len(c.others) > 0 {
		r.Functions = facts.MakesOf(append([]*facts.Function{c.f}, c.others...))
	}
	where, _, holder := h.ix.Where(r)
	return where, holder
}

// sayable tells whether a layout of some host can state these parts; else why not.
func sayable(parts ...spec.Part) error {
	return spec.Says(append(parts, spec.Part{Host: &spec.Host{Name: "host"}})...)
}

// record gives lendkeep's own note of a function in a guest's definition, by an
// earlier layout: what it is called there, and its serial where it cannot say it.
func (h *host) record(f *facts.Function) *facts.Identity {
	for _, g := range h.guests {
		for _, d := range g.Definitions() {
			for _, r := range d.Identities {
				if _, means, _ := h.ix.Where(r); means == f {
					return &r
				}
			}
		}
	}
	return nil
}

// kinds are words for base class and subclass (PCI Code and ID Assignment
// Specification, 1.), the finer before the coarser.
var kinds = []struct {
	class, mask uint32
	word        string
}{
	{0x0108, 0xffff, "nvme"}, {0x0106, 0xffff, "sata"}, {0x0100, 0xff00, "storage"}, {0x0200, 0xff00, "network"}, {0x0300, 0xff00, "graphics"},
	{0x0403, 0xffff, "audio"}, {0x0400, 0xff00, "media"}, {0x0c03, 0xffff, "usb"},
}

// named makes up a name for a controller: of its serial, else of its kind.
func named(f *facts.Function, taken map[string]bool) string {
	word := "device"
	for _, k := range slices.Backward(kinds) {
		if f.Class>>8&k.mask == k.class {
			word = k.word
		}
	}
	name := word
	if f.NVMe != nil {
		if serial := identifier(f.NVMe.Serial); serial != "" && 'a' <= serial[0] && serial[0] <= 'z' {
			name = serial
		} else if serial != "" {
			name = word + "-" + serial
		}
	}
	free := name
	for n := 2; taken[free]; n++ {
		free = fmt.Sprintf("%s-%d", name, n)
	}
	return free
}

// identifier makes lower case letters, digits and dashes of a text.
func identifier(text string) string {
	dashed := strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z', '0' <= r && r <= '9':
			return r
		case 'A' <= r && r <= 'Z':
			return r - 'A' + 'a'
		}
		return '-'
	}, text)
	return strings.Trim(dashed[:min(len(dashed), 40)], "-")
}
