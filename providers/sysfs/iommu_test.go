package sysfs

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func TestUnitsAndVFIO(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "iommu.txtar"))
	require.Empty(t, survey.Gaps)
	m := survey.Machine
	assert.Equal(t, []facts.IOMMUUnit{{Name: "dmar0", Cap: 0xd2008c222f0686, Extended: 0xf00f4a}, {Name: "ivhd0"}}, m.Units)
	assert.Equal(t, 2, m.IOMMUs)
	assert.Equal(t, "DMAR", m.DMATable)
	assert.EqualValues(t, 32<<30, m.LimitBytes)
	assert.Equal(t, []facts.ModuleSetting{
		{Name: "vfio_iommu_type1.allow_unsafe_interrupts", Value: "N", From: "/sys/module/vfio_iommu_type1/parameters", Loaded: true},
		{Name: "vfio_pci.disable_idle_d3", Value: "Y", From: "/sys/module/vfio_pci/parameters", Loaded: true},
		{Name: "vfio_pci.disable_idle_d3", Value: "0", From: "/etc/modprobe.d/vfio.conf"},
		{Name: "vfio_iommu_type1.allow_unsafe_interrupts", From: "/etc/modprobe.d/vfio.conf"},
		{Name: "vfio_pci.nointxmask", Value: "1", From: "/proc/cmdline"},
	}, m.VFIO)
	assert.Len(t, survey.Claims, 2, "what takes functions by their kind is told by itself")
}
