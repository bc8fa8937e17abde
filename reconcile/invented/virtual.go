package invented

import (
	"fmt"
	"time"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Ethernet adds a network card in a group of its own, whose interface is down, and
// gives its address. It can make seven virtual functions (8086:10c9 is Intel's 82576,
// its virtual functions are 8086:10ca).
func (b *Builder) Ethernet() facts.Address {
	at, group := facts.Address{Bus: 0xd0}, 70
	for b.Function(at) != nil {
		at.Bus, group = at.Bus+1, group+1
	}
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: at, Vendor: 0x8086, Device: 0x10c9, Class: 0x020000, Driver: "igb", Group: &group, NUMANode: -1,
		ResetMethods: []string{"flr"}, DeviceName: "Invented Ethernet", VirtualMost: 7, VirtualProbed: true,
		Interfaces: []facts.Interface{{Name: fmt.Sprintf("ether%d", at.Bus-0xd0)}}})
	return at
}

// Virtual has a function make that many more virtual ones (SR-IOV), of most in all: each
// in a group of its own, with a driver of the host's (none: empty). It gives their
// addresses by number.
func (b *Builder) Virtual(of facts.Address, made, most int, driver string) []facts.Address {
	var list []facts.Address
	before := b.Function(of).Virtual
	for n := before; n < before+made; n++ {
		parent := *b.Function(of)
		group, number := 200+len(b.Survey.Functions), n
		at := facts.Address{Segment: of.Segment, Bus: of.Bus, Slot: of.Slot + uint8((n+1)/8), Function: uint8((n + 1) % 8)}
		at.Slot += 16 // apart from other functions that a test adds to the bus
		b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: at, Vendor: parent.Vendor, Device: parent.Device + 1, Class: parent.Class, Driver: driver,
			Upstream: parent.Upstream, Group: &group, NUMANode: parent.NUMANode, ResetMethods: []string{"flr"}, Parent: &of, VirtualNumber: &number, Asked: parent.Asked})
		list = append(list, at)
	}
	f := b.Function(of)
	f.Virtual, f.VirtualMost, f.VirtualProbed = before+made, most, driver != ""
	return list
}

// virtual writes what a function has to do with virtual ones.
func (t *tree) virtual(dir string, f *facts.Function) {
	if f.VirtualMost == 0 && f.Virtual == 0 {
		return
	}
	probed := 0
	if f.VirtualProbed {
		probed = 1
	}
	t.text(dir+"/sriov_numvfs", fmt.Sprint(f.Virtual))
	t.text(dir+"/sriov_totalvfs", fmt.Sprint(f.VirtualMost))
	t.text(dir+"/sriov_drivers_autoprobe", fmt.Sprint(probed))
	for i := range t.s.Functions {
		if v := &t.s.Functions[i]; v.Parent != nil && *v.Parent == f.Address && v.VirtualNumber != nil {
			t.link(fmt.Sprintf("%s/virtfn%d", dir, *v.VirtualNumber), t.dirOf(v.Address))
		}
	}
}

// ethernet adds a network card that may have made virtual functions, of which one may
// be in use, on VFIO, or without what tells which it is.
func (r *random) ethernet() {
	if !r.chance(30, "network card") {
		return
	}
	at := r.b.Ethernet()
	r.ether = &at
	if r.chance(30, "none") {
		return
	}
	r.virtuals = r.b.Virtual(at, rapid.IntRange(1, 3).Draw(r.t, "virtual functions"), 7, rapid.SampledFrom([]string{"igbvf", ""}).Draw(r.t, "their driver"))
	f := r.b.Function(r.virtuals[0])
	switch rapid.IntRange(0, 9).Draw(r.t, "the first") {
	case 5:
		f.Interfaces = []facts.Interface{{Name: "eth91", Up: true}}
	case 6:
		if r.b.Survey.Machine.IOMMUs > 0 {
			f.Driver, f.DriverOverride = "vfio-pci", "vfio-pci"
		}
	case 7:
		f.VirtualNumber, f.Gaps = nil, []facts.Gap{{Fact: "virtual_number", Path: "/sys/bus/pci/devices/" + at.String(), Reason: "no link virtfnN of its parent leads to it"}}
	case 8:
		r.b.Function(at).Interfaces[0].Up = true
	case 9:
		r.b.Function(at).Driver = ""
	}
}

// EthernetController states such a card in a layout.
func EthernetController(name string) spec.Controller {
	return spec.Controller{Name: name, At: place(), PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10c9, At: place()},
		Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()}}
}

// VirtualController states a virtual function of a controller.
func VirtualController(name, of string, number int) spec.Controller {
	return spec.Controller{Name: name, At: place(), Virtual: &spec.VirtualIdentity{Of: spec.Ref{Name: of, At: place()}, Number: number, At: place()},
		Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()}}
}

// virtualControllers states the network card and three virtual functions of it,
// whether it has so many or not.
func (r *random) virtualControllers() []spec.Controller {
	if r.ether == nil {
		return nil
	}
	list := []spec.Controller{EthernetController("ether")}
	for n := range 3 {
		list = append(list, VirtualController(fmt.Sprintf("v%d", n), "ether", n))
	}
	return list
}
