package invented

import (
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Screen adds a graphics card with its sound behind a port of its own, both functions of
// one slot and of one IOMMU group, and gives the address of the first.
func (b *Builder) Screen() facts.Address {
	at, port, group := facts.Address{Bus: 0xe0}, facts.Address{Slot: 0x10}, 90
	for b.Function(at) != nil {
		at.Bus, port.Slot, group = at.Bus+1, port.Slot+1, group+1
	}
	own := group + 100
	b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: port, Vendor: 0x8086, Device: 0x1901, Class: 0x060400, HeaderType: 1,
		Driver: "pcieport", Group: &own, NUMANode: -1, DeviceName: "Invented Port"})
	for n, f := range []facts.Function{
		{Device: 0x2484, Class: 0x030000, Driver: "nouveau", ResetMethods: []string{"bus"}, DeviceName: "Invented Graphics"},
		{Device: 0x228b, Class: 0x040300, Driver: "snd_hda_intel", DeviceName: "Invented Sound"},
	} {
		f.Address, f.Vendor, f.SubsystemVendor, f.SubsystemDevice = at, 0x10de, 0x1043, 0x8790
		f.Address.Function, f.Upstream, f.Group, f.NUMANode, f.MultiFunction = uint8(n), &port, &group, -1, n == 0
		b.Survey.Functions = append(b.Survey.Functions, f)
	}
	return at
}

// Whole gives the record by which a guest knows a controller that is all functions of
// a slot of the builder.
func (b *Builder) Whole(name string, at facts.Address) facts.Identity {
	r := b.Identity(name, at)
	r.Functions = facts.MakesOf(facts.NewIndex(&b.Survey).Physical(at))
	return r
}

// ScreenController states such a card in a layout.
func ScreenController(name string) spec.Controller {
	return spec.Controller{Name: name, At: place(), Return: spec.Return{Within: 30 * time.Second, OnFailure: "hold", At: place()},
		PCI: &spec.PCIIdentity{Vendor: 0x10de, Device: 0x2484, Functions: []spec.Kind{{Vendor: 0x10de, Device: 0x2484}, {Vendor: 0x10de, Device: 0x228b}}, At: place()}}
}
