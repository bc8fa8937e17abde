package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

const (
	ourShim   = facts.ShimFolder + "/lendkeep-reel-0a1b2c3d.img"
	otherShim = facts.ShimFolder + "/lendkeep-reel-ffffffff.img"
)

func byShim(t *testing.T, shim *ShimDisk) Wanted {
	return Wanted{Name: "grading", Borrows: []Borrowed{{Identity: reel(t, "0000:01:00.0"), Boots: true, Shim: shim}}}
}

func TestShimDisk(t *testing.T) {
	virtio, sata := &ShimDisk{ourShim, "virtio"}, &ShimDisk{ourShim, "sata"}
	text := sample(t, "grading")
	first, changes := edited(t, text, byShim(t, virtio))
	said := strings.Join(changes, "\n")
	assert.Contains(t, said, "shim disk "+ourShim+" as vdd on virtio")
	assert.Regexp(t, `(?s)<source file='`+ourShim+`'/>\s*<target dev='vdd' bus='virtio'/>\s*<readonly/>\s*<boot order='1'/>\s*</disk>`, first,
		"libvirt prints the boot order behind <readonly/>")
	assert.Regexp(t, `(?s)<hostdev.*<boot order='2'/>`, first, "without a place OVMF would forget the drive for good")
	d, err := Read(first)
	require.NoError(t, err)
	assert.Equal(t, ourShim, d.Shim())
	for _, disk := range d.Disks {
		assert.Equal(t, facts.IsShim(disk.Source), disk.Kind == facts.KindShim)
	}

	second, changes := edited(t, first, byShim(t, sata))
	assert.Contains(t, strings.Join(changes, "\n"), "on sata")
	assert.NotContains(t, second, "bus='virtio'/>\n      <readonly/>")
	assert.Equal(t, 1, strings.Count(second, ourShim))

	third, changes := edited(t, second, byShim(t, &ShimDisk{otherShim, "virtio"}))
	assert.Contains(t, strings.Join(changes, "\n"), "without the shim disk "+ourShim)
	assert.NotContains(t, third, ourShim)

	gone, changes := edited(t, third, byShim(t, nil))
	assert.Equal(t, []string{"without the shim disk " + otherShim + "; the file stays"}, changes)
	assert.Regexp(t, `(?s)<hostdev.*<boot order='2'/>`, gone)
	assert.Equal(t, strings.Count(text, "<disk "), strings.Count(gone, "<disk "), "the others stay")
}

// A guest that borrows nothing any more has no use of a shim disk.
func TestShimDiskLeavesWithTheController(t *testing.T) {
	first, _ := edited(t, sample(t, "grading"), byShim(t, &ShimDisk{ourShim, "virtio"}))
	w := Wanted{Name: "grading", Known: []facts.Identity{reel(t, "0000:01:00.0")}}
	gone, _ := edited(t, first, w)
	assert.NotContains(t, gone, ourShim)
	assert.NotContains(t, gone, "0000:01:00.0")
}

func TestBootOrderBehindAShim(t *testing.T) {
	text := lentAt(t, []facts.Identity{reel(t, "0000:01:00.0")}, "0000:01:00.0")
	text = strings.Replace(text, "<devices>\n", `<devices>
    <disk type='file' device='cdrom'>
      <target dev='sda' bus='sata'/>
      <boot order='1'/>
    </disk>
    <disk type='file' device='disk'>
      <source file='/srv/a.qcow2'/>
      <target dev='vda' bus='virtio'/>
      <boot order='7'/>
    </disk>
`, 1)
	after, changes := edited(t, text, byShim(t, &ShimDisk{ourShim, "virtio"}))
	assert.Contains(t, strings.Join(changes, "\n"), "disk vdb has boot order 1, the device at 0000:01:00.0 has boot order 2, disk sda moves to 3, <boot dev='hd'/> removed")
	assert.Contains(t, after, "<boot order='7'/>", "numbers that still come later stay")
	assert.NotContains(t, after, "<boot dev=")
}

// A layout's own disk never takes the place of the shim.
func TestShimDiskIsNobodysDisk(t *testing.T) {
	first, _ := edited(t, sample(t, "grading"), byShim(t, &ShimDisk{ourShim, "virtio"}))
	w := byShim(t, &ShimDisk{ourShim, "virtio"})
	w.Disks = []Disk{{Name: "vda", Source: "/srv/x.raw", Kind: "file", Format: "raw", Bus: "virtio"}}
	after, _ := edited(t, first, w)
	assert.Contains(t, after, ourShim)
	assert.Contains(t, after, "/srv/x.raw")
	w.Disks[0].Source = ourShim
	_, _, err := Edit(first, w)
	assert.ErrorContains(t, err, "a shim disk that orders make")
}
