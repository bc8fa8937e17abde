package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// What Linux 6.1 answered, on the captured machine, to a start with an NVMe
// controller whose IOMMU group also has a network card and two root ports:
// refused ("group 5 is not viable") with the card on e1000e; accepted with the
// card driverless, on vfio-pci, or lent to the same guest. Up to 5.18 the rule
// is that of Documentation/driver-api/vfio.rst.
func TestGroupViability(t *testing.T) {
	cases := []struct {
		name, kernel, driver string
		header               uint8
		lent                 bool
		viable               bool
	}{
		{"measured: on its own driver", "6.1.0-56-amd64", "e1000e", 0, false, false},
		{"measured: no driver", "6.1.0-56-amd64", "", 0, false, true},
		{"measured: on vfio-pci", "6.1.0-56-amd64", "vfio-pci", 0, false, true},
		{"measured: lent to the same guest", "6.1.0-56-amd64", "e1000e", 0, true, true},
		{"measured: root port", "6.1.0-56-amd64", "pcieport", 1, false, true},
		{"pci-stub", "6.1.0", "pci-stub", 0, false, true},
		{"VFIO variant", "6.1.0", "mlx5_vfio_pci", 0, false, true},
		{"bridge on another driver, new rule", "5.19.0", "shpchp", 1, false, false},
		{"bridge on another driver, old rule", "5.18.9", "shpchp", 1, false, true},
		{"endpoint on another driver, old rule", "5.10.0-30-amd64", "e1000e", 0, false, false},
		{"release that cannot be read", "next", "shpchp", 1, false, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.Survey.Machine.Kernel = c.kernel
			nvme := b.NVMe("RL-4410-0119")
			card := b.Card(nvme, c.driver)
			b.Function(card).HeaderType = c.header
			lent := map[facts.Address]bool{nvme: true, card: c.lent}
			blockers := facts.NewIndex(&b.Survey).Blockers(*b.Function(nvme).Group, lent)
			assert.Equal(t, c.viable, len(blockers) == 0, "%+v", blockers)
		})
	}
}

func TestUnknownDriverBlocks(t *testing.T) {
	b := invented.NewBuilder()
	nvme := b.NVMe("RL-4410-0119")
	card := b.Card(nvme, "")
	b.Function(card).Gaps = []facts.Gap{{Fact: "driver", Path: "driver", Reason: "input/output error"}}
	assert.Len(t, facts.NewIndex(&b.Survey).Blockers(*b.Function(nvme).Group, map[facts.Address]bool{nvme: true}), 1)
}

func TestWhere(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "shelf")
	other := b.NVMe("RL-4410-0088")
	r := b.Identity("reel", at)
	place := func(r facts.Identity) facts.Whereabouts {
		where, _, _ := facts.NewIndex(&b.Survey).Where(r)
		return where
	}
	assert.Equal(t, facts.Home, place(r))
	moved := r
	moved.Address = other
	assert.Equal(t, facts.Home, place(moved), "the serial counts, not the address")

	b.Function(at).NVMe.State = "dead"
	assert.Equal(t, facts.Gone, place(r))
	b.Function(at).NVMe.State = "live"
	b.Function(other).NVMe.Serial = r.Serial
	assert.Equal(t, facts.Gone, place(r), "two that claim the serial are none")
	b.Function(other).NVMe.Serial = "RL-4410-0088"

	b.Function(at).NVMe, b.Function(at).Driver = nil, "vfio-pci"
	assert.Equal(t, facts.Aside, place(r))
	b.Guest("grading", "", r)
	b.Run("grading")
	assert.Equal(t, facts.Lent, place(r))
	r.Device = 0x0011
	assert.Equal(t, facts.Gone, place(r), "another kind of device at the recorded address")
}
