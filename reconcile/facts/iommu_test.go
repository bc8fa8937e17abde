package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestUnitsOfIOMMUs(t *testing.T) {
	for name, maker := range map[string]string{"dmar0": "Intel", "ivhd2": "AMD", "smmu3.0x0000000009050000": "Arm", "smmu.0x2b500000": "Arm", "virtio0": "", "iommu": ""} {
		assert.Equal(t, maker, facts.IOMMUUnit{Name: name}.Maker(), name)
	}
	// QEMU 7.2's intel-iommu with aw-bits=48 and intremap=on, as the emulated host has it.
	u := facts.IOMMUUnit{Name: "dmar0", Cap: 0x00d2008c222f0686, Extended: 0x0000000000f00f4a}
	assert.Equal(t, 48, u.Bits())
	assert.Equal(t, facts.Present, u.Remaps())
	assert.Equal(t, 39, facts.IOMMUUnit{Cap: 0x00d2008c222f0286}.Bits(), "its tables have three levels")
	assert.Equal(t, 39, facts.IOMMUUnit{Cap: 0x00d2008c22260686}.Bits(), "it says so")
	assert.Zero(t, facts.IOMMUUnit{Cap: 0x00d2008c222f0086}.Bits(), "no tables")
	u.Extended = 0xf00f42
	assert.Equal(t, facts.Absent, u.Remaps())
	assert.Equal(t, facts.Unknown, facts.IOMMUUnit{Name: "ivhd0"}.Remaps())
	assert.Zero(t, facts.IOMMUUnit{Name: "ivhd0"}.Bits())
}

func TestSettings(t *testing.T) {
	m := facts.Machine{VFIO: []facts.ModuleSetting{
		{Name: "vfio_pci.disable_idle_d3", Value: "1", From: "/etc/modprobe.d/x.conf"},
		{Name: "vfio_pci.disable_idle_d3", Value: "N", From: "/sys/module", Loaded: true},
		{Name: "vfio_pci.nointxmask", From: "/proc/cmdline"},
		{Name: "vfio_pci.disable_denylist", Value: "1", From: "/etc/modprobe.d/x.conf"},
		{Name: "vfio_pci.disable_denylist", Value: "0", From: "/proc/cmdline"},
	}}
	s, ok := m.Setting("vfio_pci.disable_idle_d3")
	assert.True(t, ok)
	assert.False(t, s.On(), "as it is, not as it would be")
	s, ok = m.Setting("vfio_pci.nointxmask")
	assert.True(t, ok && s.On())
	_, ok = m.Setting("vfio_pci.disable_vga")
	assert.False(t, ok)
	_, ok = m.Setting("vfio_pci.disable_denylist")
	assert.False(t, ok, "one of them counts, and who knows which")
}
