package guard_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// A card of which the layout states the kind, or a port of it, is lent while no other
// function of the host could be it: buses are numbered anew when a card is added, and
// then another one sits at its place.
func TestAnotherOfItsKind(t *testing.T) {
	same := func(*facts.Function) {}
	for name, c := range map[string]struct {
		stated  func(*spec.PCIIdentity)
		was     func(*facts.Function) // what the card says of itself
		other   func(*facts.Function) // the one that is added, else like it
		refuses string
	}{
		"a twin":                  {func(*spec.PCIIdentity) {}, same, same, "0000:d1:00.0 could be it as well"},
		"a twin of another maker": {func(*spec.PCIIdentity) {}, same, func(f *facts.Function) { f.SubsystemVendor = 0x1043 }, ""},
		"of which neither maker nor number can be read": {func(*spec.PCIIdentity) {}, func(f *facts.Function) { f.SubsystemVendor, f.DeviceSerial = 0x1043, "01" }, func(f *facts.Function) {
			f.SubsystemVendor, f.DeviceSerial = 0, ""
			f.Gaps = []facts.Gap{{Fact: "subsystem_vendor", Path: "/sys/x", Reason: "permission denied"}, {Fact: "device_serial", Path: "/sys/x", Reason: "permission denied"}}
		}, "could be it as well"},
		"of another device serial number": {func(*spec.PCIIdentity) {}, func(f *facts.Function) { f.DeviceSerial = "01" }, func(f *facts.Function) { f.DeviceSerial = "02" }, ""},
		"in another slot":                 {func(p *spec.PCIIdentity) { p.Slot = "2" }, func(f *facts.Function) { f.Slot = "2" }, func(f *facts.Function) { f.Slot = "3" }, ""},
		"the other port of the card": {func(p *spec.PCIIdentity) { p.Function = new(int) }, same, func(f *facts.Function) {
			f.Address = facts.Address{Bus: 0xd0, Function: 1}
		}, ""},
		"the same port of another card": {func(p *spec.PCIIdentity) { p.Function = new(int) }, same, same, "0000:d1:00.0 could be it as well"},
		"a virtual function of one":     {func(*spec.PCIIdentity) {}, same, func(f *facts.Function) { f.Parent = &facts.Address{Bus: 1} }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{}}
			card := b.Ethernet()
			c.was(b.Function(card))
			controller := invented.EthernetController("card")
			c.stated(controller.PCI)
			b.Guest("films", "/srv/images/films.qcow2")
			films := invented.Guest("films", "card")
			films.Boots = nil
			laid := assess.NewCase(invented.Layout([]spec.Controller{controller}, []spec.Guest{films}), facts.NewIndex(&b.Survey), nil)
			require.False(t, assess.Stops(assess.Assess(laid)), "%+v", assess.Assess(laid))
			b.rules = order.CompileRules(laid)
			b.borrower("films", card)
			require.Empty(t, guard.Before(b.rules, b.index(), b.call).Refuse)

			other := b.Function(b.Ethernet())
			c.was(other)
			c.other(other)
			refused := guard.Before(b.rules, b.index(), b.call).Refuse
			if c.refuses == "" {
				assert.Empty(t, refused)
			} else {
				assert.Contains(t, refused, c.refuses)
			}
		})
	}
}
