package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestParameter(t *testing.T) {
	m := facts.Machine{CommandLine: `quiet intel_iommu=on,sm_on iommu=pt "vfio_pci.ids=1,2" intel-iommu=igfx_off nointremap`}
	assert.Equal(t, []string{"on,sm_on", "igfx_off"}, m.Parameter("intel_iommu"))
	assert.Equal(t, []string{""}, m.Parameter("nointremap"))
	assert.Equal(t, []string{"1,2"}, m.Parameter("vfio_pci.ids"))
	assert.Empty(t, m.Parameter("iommu.passthrough"))
}
