package carry_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// keptFrom is the day shift of a host where a card in reel's IOMMU group has a driver, or
// none, and driver_override keeps it so: it is put aside for reel.
func keptFrom(t *testing.T, driver, override string) (facts.Survey, order.Sealed) {
	b := invented.Builder{Survey: atNight()}
	card := b.Function(b.Card(facts.Address{Bus: 1}, driver))
	card.DriverOverride = override
	layout, stated := larch(), invented.NetworkController("card")
	stated.PCI.Vendor, stated.PCI.Device = card.Vendor, card.Device
	layout.Controllers = append(layout.Controllers, stated)
	return b.Survey, plan(t, b.Survey, layout, "day")
}

// What keeps a function from other drivers is there again after every undo, or the step
// says that it is lost.
func TestWhatIsKeptIsKeptAgain(t *testing.T) {
	for override, driver := range map[string]string{"pci-stub": "pci-stub", "none": "", "e1000e": "e1000e", "vfio-pci": "e1000e"} {
		t.Run(override, func(t *testing.T) {
			survey, sealed := keptFrom(t, driver, override)
			require.Contains(t, does(sealed), "put card on VFIO, so that reel of the same IOMMU group can be lent")
			swept(t, survey, sealed)
		})
	}
}

// What is kept and lent comes back with the kernel's own driver; undoing the start says so.
func TestWhatIsKeptAndLentIsLost(t *testing.T) {
	for override, driver := range map[string]string{"pci-stub": "pci-stub", "none": "", "e1000e": "e1000e", "vfio-pci": "e1000e"} {
		t.Run(override, func(t *testing.T) {
			b := invented.NewBuilder()
			card := b.Function(b.Network("eth3"))
			card.Driver, card.DriverOverride, card.Interfaces, card.Shows = driver, override, nil, nil
			b.Guest("films", "/srv/images/films.qcow2")
			b.Survey.Watch = facts.InstalledWatch{Systemd: true, Program: true}
			films := invented.Guest("films", "card")
			films.Boots = nil
			layout := invented.Layout([]spec.Controller{invented.NetworkController("card")}, []spec.Guest{films}, invented.Shift("day", "films"))
			sealed := plan(t, b.Survey, layout, "day")
			start := sealed.Order.Steps[len(sealed.Order.Steps)-1].Step.About()
			assert.Equal(t, "shut down guest films; the driver_override of "+card.Address.String()+" ("+override+") is gone then, write it by hand", start.Undoes)
			swept(t, b.Survey, sealed)
		})
	}
}
