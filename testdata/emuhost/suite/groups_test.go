package suite

import (
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
)

// What the kernel says of the machine has to be what its description says.

func TestHostAnswers(t *testing.T) {
	h := onLarch(t)
	assert.Contains(t, h.run("virsh", "uri"), "qemu:///system")
	assert.Contains(t, h.run("virsh", "capabilities"), "<iommu support='yes'/>")
	assert.Contains(t, h.run("findmnt", "-no", "SOURCE", "/"), "/dev/nvme")
	assert.Equal(t, "dmar0", strings.TrimSpace(h.run("ls", "/sys/class/iommu")))
}

func TestDrives(t *testing.T) {
	h := onLarch(t)
	seen := h.controllers()
	for _, serial := range []string{machine.Own, machine.Reel, machine.Spare, machine.Shared, machine.TwinA, machine.TwinB, machine.Behind, machine.Bridged} {
		assert.Contains(t, seen, serial)
	}
	assert.Equal(t, "0000:01:00.0", seen[machine.Reel])
	sectors := pairs(h.run("lsblk", "-dnro", "SERIAL,LOG-SEC"))
	assert.Equal(t, "512", sectors[machine.Reel])
	assert.Equal(t, "4096", sectors[machine.Behind])
	assert.Equal(t, "512", sectors[machine.Disk])
	root := strings.TrimSpace(h.run("findmnt", "-no", "SOURCE", "/"))
	assert.Equal(t, h.namespace(machine.Own)+"p1", root, "the host runs from its own drive")
}

// groups maps every PCI address to all addresses of its IOMMU group.
func groups(h host) map[string][]string {
	h.Helper()
	members := map[string][]string{}
	for name := range strings.FieldsSeq(h.run("find", "/sys/kernel/iommu_groups", "-type", "l")) {
		group := path.Dir(name)
		members[group] = append(members[group], path.Base(name))
	}
	of := map[string][]string{}
	for _, group := range members {
		slices.Sort(group)
		for _, member := range group {
			of[member] = group
		}
	}
	return of
}

func TestGroups(t *testing.T) {
	h := onLarch(t)
	of, at := groups(h), h.controllers()
	require.NotEmpty(t, of)
	assert.Equal(t, []string{"0000:01:00.0"}, of[at[machine.Reel]], "alone")
	assert.Equal(t, []string{"0000:02:00.0"}, of[at[machine.Spare]], "alone")
	assert.Equal(t, []string{"0000:00:06.0", "0000:00:06.1", "0000:03:00.0", "0000:04:00.0"}, of[at[machine.Shared]],
		"shared slot: both ports and both cards")
	assert.Equal(t, "e1000e", h.driver("0000:04:00.0"), "the other card belongs to the host")
	assert.Equal(t, []string{at[machine.TwinA], at[machine.TwinB]}, of[at[machine.TwinA]], "multi-function: the functions of one card")
	assert.Equal(t, strings.TrimSuffix(at[machine.TwinA], "0"), strings.TrimSuffix(at[machine.TwinB], "1"), "one slot, functions 0 and 1")
	assert.Equal(t, []string{above(h, at[machine.Behind]), at[machine.Behind]}, of[at[machine.Behind]], "switched: with its downstream port")
	bridge := above(h, at[machine.Bridged])
	assert.Len(t, of[at[machine.Bridged]], 3, "conventional: bridge and both cards")
	assert.Contains(t, of[at[machine.Bridged]], bridge)
	assert.Equal(t, []string{at[machine.Own]}, of[at[machine.Own]])
}

// above gives the bridge that a function is behind.
func above(h host, address string) string {
	h.Helper()
	return path.Base(path.Dir(strings.TrimSpace(h.run("readlink", "-f", "/sys/bus/pci/devices/"+address))))
}
