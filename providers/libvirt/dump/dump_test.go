package dump

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// sample reads an answer of libvirt 9.0.0: of a host that lends a controller
// to guest l2, and of an invented guest that its QEMU driver was given.
func sample(t testing.TB, name string) *fstest.MapFile {
	t.Helper()
	folder := "../../../reconcile/definition/testdata"
	if name == "capabilities.xml" {
		folder = "testdata"
	}
	content, err := os.ReadFile(filepath.Join(folder, name))
	require.NoError(t, err)
	return &fstest.MapFile{Data: content}
}

func file(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }

func captured(t testing.TB) fstest.MapFS {
	return fstest.MapFS{
		"uri":                      file("qemu:///system\n"),
		"version":                  file("9.0.0\n"),
		"capabilities.xml":         sample(t, "capabilities.xml"),
		"guests/l2.xml":            sample(t, "l2-kept.xml"),
		"guests/l2.live.xml":       sample(t, "l2-live.xml"),
		"guests/grading.xml":       sample(t, "grading.xml"),
		"guests/grading.autostart": file(""),
		"pools/shelf.xml":          file("<pool type='dir'><name>shelf</name><source></source><target><path>/srv/shelf</path></target></pool>"),
		"networks/default.xml":     file("<network><name>default</name><forward mode='nat'/><bridge name='virbr0'/></network>"),
		"networks/pool.xml":        file("<network><name>pool</name><forward mode='hostdev' managed='yes'><pf dev='eth1'/><interface dev='eth2'/><address type='pci' domain='0' bus='0x05' slot='0x10' function='0x2'/></forward></network>"),
		"pools/shelf.active":       file(""),
		"pools/vg0.xml":            file("<pool type='logical'><name>vg0</name><source><device path='/dev/nvme0n1p2'/><device path='/dev/sdb'/><name>vg0</name></source><target><path>/dev/vg0</path></target></pool>"),
	}
}

func TestFromFiles(t *testing.T) {
	v := FromFiles(captured(t))
	assert.Empty(t, v.Gaps)
	assert.Equal(t, "qemu:///system", v.URI)
	assert.Equal(t, "9.0.0", v.Version)
	assert.Equal(t, "qemu", v.GuestType, "that host had no KVM")
	assert.Equal(t, "/usr/bin/qemu-system-x86_64", v.Emulator)
	require.NotNil(t, v.IOMMU)
	assert.True(t, *v.IOMMU)
	assert.Equal(t, []facts.Cell{{CPUs: "0-1", Cores: []string{"0", "1"}}}, v.Cells)
	assert.Equal(t, []facts.Pool{
		{Name: "shelf", Kind: "dir", Active: true, Target: "/srv/shelf"},
		{Name: "vg0", Kind: "logical", Target: "/dev/vg0", Sources: []string{"/dev/nvme0n1p2", "/dev/sdb"}},
	}, v.Pools)

	assert.Equal(t, []facts.Network{
		{Name: "default"},
		{Name: "pool", Functions: []facts.Address{{Bus: 5, Slot: 0x10, Function: 2}}, Cards: []string{"eth1", "eth2"}},
	}, v.Networks)
	require.Len(t, v.Guests, 2)
	grading, l2 := v.Guests[0], v.Guests[1]
	assert.Equal(t, "6f1d2a34-0c5e-4b6a-9d11-2f8c53a7e0b1", grading.UUID)
	assert.True(t, grading.Autostart)
	assert.False(t, grading.Running)
	assert.Equal(t, "shut off", grading.Condition)
	assert.Nil(t, grading.Live)
	assert.Contains(t, grading.Kept.Disks, facts.Disk{Target: "vdb", Kind: "volume", Pool: "shelf", Volume: "cache.qcow2", Source: "/srv/shelf/cache.qcow2", Device: "disk", Format: "qcow2"})
	assert.True(t, l2.Running)
	assert.Equal(t, "running", l2.Condition)
	assert.Len(t, l2.Live.Hostdevs, 1)
	assert.Equal(t, string(sample(t, "l2-kept.xml").Data), l2.Kept.XML)
}

func TestFromFilesLeavesGaps(t *testing.T) {
	tests := []struct {
		name   string
		change func(fstest.MapFS)
		fact   string
		says   string
	}{
		{"no answer at all", func(m fstest.MapFS) { clear(m) }, "capabilities", "not exist"},
		{"no version", func(m fstest.MapFS) { delete(m, "version") }, "version", "not exist"},
		{"capabilities of something else", func(m fstest.MapFS) { m["capabilities.xml"] = file("<domainCapabilities/>") }, "capabilities", "capabilities"},
		{"capabilities without guests", func(m fstest.MapFS) { m["capabilities.xml"] = file("<capabilities/>") }, "capabilities", "hvm"},
		{"capabilities of another kind of host", func(m fstest.MapFS) {
			m["capabilities.xml"] = file("<capabilities><guest><os_type>hvm</os_type><arch name='x86_64'><domain type='xen'/></arch></guest></capabilities>")
		}, "capabilities", "none of the types"},
		{"a guest cut off", func(m fstest.MapFS) { m["guests/l2.xml"] = file("<domain><name>l2</n") }, "guest l2", "syntax"},
		{"a guest's device without address", func(m fstest.MapFS) {
			m["guests/x.xml"] = file("<domain><name>x</name><devices><hostdev type='pci'/></devices></domain>")
		}, "kept definition of guest x", "PCI address is missing"},
		{"a guest in another's file", func(m fstest.MapFS) { m["guests/other.xml"] = m["guests/l2.xml"] }, "guest other", `called "l2"`},
		{"a file that is too long", func(m fstest.MapFS) { m["guests/l2.xml"] = file(strings.Repeat(" ", maxFile+1)) }, "guest l2", "longer than"},
		{"a network without name", func(m fstest.MapFS) { m["networks/pool.xml"] = file("<network/>") }, "network pool", "no name"},
		{"a network of half an address", func(m fstest.MapFS) {
			m["networks/pool.xml"] = file("<network><name>pool</name><forward mode='hostdev'><address type='pci' bus='5'/></forward></network>")
		}, "network pool", "PCI address"},
		{"a pool without name", func(m fstest.MapFS) { m["pools/vg0.xml"] = file("<pool type='dir'/>") }, "pool vg0", "no name"},
		{"a volume of an unknown pool", func(m fstest.MapFS) { delete(m, "pools/shelf.xml") }, "disk vdb of guest grading", "does not list"},
		{"a volume of a pool that keeps paths to itself", func(m fstest.MapFS) {
			m["pools/shelf.xml"] = file("<pool type='iscsi'><name>shelf</name><target><path>/dev/disk/by-path</path></target></pool>")
		}, "disk vdb of guest grading", "kind iscsi"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			folder := captured(t)
			test.change(folder)
			var found bool
			for _, gap := range FromFiles(folder).Gaps {
				found = found || gap.Fact == test.fact && strings.Contains(gap.Reason, test.says)
			}
			assert.True(t, found, "%+v", FromFiles(folder).Gaps)
		})
	}
}

func TestFromFilesOfAHostWithoutGuests(t *testing.T) {
	folder := captured(t)
	for name := range folder {
		if strings.Contains(name, "/") {
			delete(folder, name)
		}
	}
	v := FromFiles(folder)
	assert.Empty(t, v.Gaps)
	assert.Empty(t, v.Guests)
}

func TestVolumeOnAnotherMachineHasNoPath(t *testing.T) {
	folder := captured(t)
	folder["pools/shelf.xml"] = file("<pool type='rbd'><name>shelf</name></pool>")
	assert.Empty(t, FromFiles(folder).Gaps)
}

func FuzzFromFiles(f *testing.F) {
	f.Add(string(sample(f, "capabilities.xml").Data), string(sample(f, "grading.xml").Data), "<pool type='dir'><name>shelf</name></pool>")
	f.Fuzz(func(t *testing.T, capabilities, guest, pool string) {
		folder := fstest.MapFS{"capabilities.xml": file(capabilities), "guests/grading.xml": file(guest), "pools/shelf.xml": file(pool)}
		v := FromFiles(folder)
		// Whatever a file holds, it is a fact or a gap.
		if len(v.Guests) == 0 || v.Guests[0].Kept == nil {
			assert.NotEmpty(t, v.Gaps)
		}
		if v.GuestType == "" {
			assert.NotEmpty(t, v.Gaps)
		}
	})
}
