package holding

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// aside is a function that is on VFIO in group 17, whose node leads to a device that
// nobody opens but for a test.
func aside(t *testing.T) *drive {
	t.Helper()
	visible(t)
	at, number := facts.Address{Bus: 9}, 17
	nodes, links := groupNodes, functionLinks
	t.Cleanup(func() { groupNodes, functionLinks = nodes, links })
	groupNodes, functionLinks = t.TempDir(), t.TempDir()
	require.NoError(t, os.Symlink("/dev/full", filepath.Join(groupNodes, "17")))
	require.NoError(t, os.Mkdir(filepath.Join(functionLinks, at.String()), 0o700))
	require.NoError(t, os.Symlink("../../../kernel/iommu_groups/17", filepath.Join(functionLinks, at.String(), "iommu_group")))
	return &drive{TB: t, at: at, survey: &facts.Survey{Functions: []facts.Function{{Address: at, Driver: "vfio-pci", Group: &number}}}}
}

// A QEMU that libvirt does not know has what is on VFIO.
func TestGroupThatAProcessHas(t *testing.T) {
	d := aside(t)
	assert.Empty(t, d.uses())
	release, err := Hold(t.Context(), &facts.Survey{}, d.at)
	require.NoError(t, err)
	release()
	d.begin("sh", "-c", "exec 5</dev/full; echo ready; read x")
	assert.Contains(t, d.uses(), "vfio/17 > process sh (pid ")
	assert.False(t, d.survey.Functions[0].Asked, "of its drives nobody can be asked")
	_, err = Hold(t.Context(), &facts.Survey{}, d.at)
	assert.ErrorContains(t, err, "has a device of it open")

	// A function beside it in the group, which the host still has.
	beside := facts.Function{Address: facts.Address{Bus: 9, Function: 1}, Driver: "e1000e", Group: d.survey.Functions[0].Group}
	d.survey.Functions = append(d.survey.Functions, beside)
	require.NoError(t, os.Mkdir(filepath.Join(functionLinks, beside.Address.String()), 0o700))
	require.NoError(t, os.Symlink("../../../kernel/iommu_groups/17", filepath.Join(functionLinks, beside.Address.String(), "iommu_group")))
	Ask(t.Context(), d.survey, beside.Address)
	uses := facts.NewIndex(d.survey).LiveUses(beside.Address)
	assert.True(t, slices.ContainsFunc(uses, func(u facts.Use) bool { return u.Kind == facts.UseProcess }), uses)
}

// As one does by IOMMUFD, without the group's node (Linux Documentation/driver-api/vfio.rst).
func TestDeviceOfVFIOThatAProcessHas(t *testing.T) {
	d := aside(t)
	all := characterDir
	t.Cleanup(func() { characterDir = all })
	characterDir, groupNodes = t.TempDir(), t.TempDir()
	require.NoError(t, os.Symlink("../../devices/pci0000:00/0000:09:00.0/vfio-dev/vfio0", filepath.Join(characterDir, "1:7"))) // /dev/full
	assert.Empty(t, d.uses())
	d.begin("sh", "-c", "exec 5</dev/full; echo ready; read x")
	assert.Contains(t, d.uses(), "vfio0 > process sh (pid ")
	_, err := Hold(t.Context(), &facts.Survey{}, d.at)
	assert.ErrorContains(t, err, "has a device of it open")
}

// What a guest of libvirt's has is its matter: nobody else can have the group.
func TestGroupOfAGuest(t *testing.T) {
	d := aside(t)
	d.begin("sh", "-c", "exec 5</dev/full; echo ready; read x")
	d.survey.Libvirt.Guests = []facts.Guest{{Name: "grading", Running: true, Live: &facts.Definition{Hostdevs: []facts.Hostdev{{Address: d.at}}}}}
	assert.Empty(t, d.uses())
	d.survey.Libvirt.Guests[0].Live.Hostdevs[0].Address.Function = 1
	assert.Contains(t, d.uses(), "which has it open", "of another group")
	d.survey.Functions = append(d.survey.Functions, facts.Function{Address: facts.Address{Bus: 9, Function: 1}, Driver: "vfio-pci", Group: d.survey.Functions[0].Group})
	d.survey.Functions[0].Attached = nil
	assert.Empty(t, d.uses(), "of the same")
}

func TestGroupThatCannotBeLookedAt(t *testing.T) {
	d := aside(t)
	require.NoError(t, os.Remove(filepath.Join(functionLinks, d.at.String(), "iommu_group")))
	require.NoError(t, os.WriteFile(filepath.Join(functionLinks, d.at.String(), "iommu_group"), nil, 0o600))
	assert.Contains(t, d.uses(), "find the IOMMU group of 0000:09:00.0")
	_, err := Hold(t.Context(), &facts.Survey{}, d.at)
	assert.Error(t, err)
}
