package definition

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// sample reads a definition that libvirt 9.0.0 has printed: l2-kept and
// l2-live of one guest on a host that lent it a controller, grading and
// catalogue of invented guests that its QEMU driver was given.
func sample(t testing.TB, name string) string {
	t.Helper()
	content, err := os.ReadFile(filepath.Join("testdata", name+".xml"))
	require.NoError(t, err)
	return string(content)
}

var samples = []string{"l2-kept", "l2-live", "grading", "catalogue"}

func address(t testing.TB, text string) facts.Address {
	t.Helper()
	a, err := facts.ParseAddress(text)
	require.NoError(t, err)
	return a
}

func TestReadTellsWhatIsLent(t *testing.T) {
	tests := []struct {
		name string
		lent []facts.Hostdev
	}{
		{"l2-kept", []facts.Hostdev{{Address: address(t, "0000:01:00.0"), Managed: true, BootOrder: 1}}},
		{"l2-live", []facts.Hostdev{{Address: address(t, "0000:01:00.0"), Managed: true, BootOrder: 1}}},
		{"grading", []facts.Hostdev{{Address: address(t, "0000:04:00.0")}}},
		// A network card's and an NVMe disk's function are lent as well.
		{"catalogue", []facts.Hostdev{
			{Address: address(t, "0000:06:00.0"), Managed: true},
			{Address: address(t, "0000:05:10.2"), Managed: true},
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d, err := Read(sample(t, test.name))
			require.NoError(t, err)
			assert.ElementsMatch(t, test.lent, d.Hostdevs)
			assert.Equal(t, sample(t, test.name), d.XML)
		})
	}
}

func TestReadTellsDisksMemoryAndProcessors(t *testing.T) {
	d, err := Read(sample(t, "grading"))
	require.NoError(t, err)
	assert.Equal(t, []facts.Disk{
		{Target: "vda", Kind: "file", Source: `/srv/images/grading 'A' & "B".qcow2`, Device: "disk", Format: "qcow2"},
		{Target: "vda", Kind: "file", Source: "/srv/images/base.img", Device: "backing", Format: "raw", ReadOnly: true},
		{Target: "vdb", Kind: "volume", Pool: "shelf", Volume: "cache.qcow2", Device: "disk", Format: "qcow2"},
		{Target: "vdc", Kind: "network", Source: "nbd:scans", Device: "disk", Format: "raw"},
		{Target: "sda", Kind: "file", Device: "cdrom", Format: "raw", ReadOnly: true},
		{Target: "scans", Kind: "dir", Source: "/srv/shelf/scans", Device: "filesystem"},
		{Target: "nvram", Kind: "nvram", Source: "/var/lib/libvirt/qemu/nvram/grading_VARS.fd", Device: "nvram"},
	}, d.Disks)
	assert.Equal(t, uint64(512<<20), d.MemoryBytes)
	assert.Equal(t, 2, d.CPUs, "it starts with 2 of 4")
	assert.False(t, d.HugePages)

	d, err = Read(sample(t, "catalogue"))
	require.NoError(t, err)
	assert.Contains(t, d.Disks, facts.Disk{Target: "sda", Kind: "block", Source: "/dev/vg0/prints", Device: "disk", Format: "raw"})
	assert.Contains(t, d.Disks, facts.Disk{Target: "vda", Kind: "nvme", Device: "disk", Format: "raw"})
}

func TestReadTellsWhatIsWritten(t *testing.T) {
	d, err := Read(`<domain><memoryBacking><locked/></memoryBacking><devices>
		<disk type='file'><source file='/a'/><target dev='vda'/><readonly/></disk>
		<disk type='file'><source file='/b'/><target dev='vdb'/><shareable/></disk>
		<disk type='file'><source file='/c'/><mirror type='file'><source file='/d'/></mirror><target dev='vdc'/></disk>
		<disk type='file' device='floppy'><source file='/e'/><target dev='fda'/></disk>
		<filesystem type='mount'><source dir='/f'/><target dir='f'/><readonly/></filesystem></devices></domain>`)
	require.NoError(t, err)
	assert.Equal(t, []facts.Disk{
		{Target: "vda", Kind: "file", Source: "/a", Device: "disk", ReadOnly: true},
		{Target: "vdb", Kind: "file", Source: "/b", Device: "disk", Shareable: true},
		{Target: "vdc", Kind: "file", Source: "/c", Device: "disk"},
		{Target: "vdc", Kind: "file", Source: "/d", Device: "mirror"},
		{Target: "fda", Kind: "file", Source: "/e", Device: "floppy"},
		{Target: "f", Kind: "dir", Source: "/f", Device: "filesystem", ReadOnly: true},
	}, d.Disks)
	assert.True(t, d.Locked)
}

func TestReadTakesTheNoteWhateverItsPrefix(t *testing.T) {
	want := facts.Identity{Controller: "reel", Serial: "RL-4410-0073", Address: address(t, "0000:01:00.0"), Vendor: 0x1b36, Device: 0x10}
	for _, note := range []string{
		`<lendkeep:guest xmlns:lendkeep="urn:lendkeep:guest:1"><lendkeep:borrows controller="reel" serial="RL-4410-0073" address="0000:01:00.0" vendor="1b36" device="0010"/></lendkeep:guest>`,
		`<guest xmlns="urn:lendkeep:guest:1"><borrows controller="reel" serial="RL-4410-0073" address="0000:01:00.0" vendor="1b36" device="0010"/></guest>`,
	} {
		d, err := Read("<domain><metadata>" + note + "</metadata></domain>")
		require.NoError(t, err)
		assert.Equal(t, []facts.Identity{want}, d.Identities)
	}
	d, err := Read(`<domain><metadata><guest xmlns="urn:other"><borrows controller="x"/></guest></metadata></domain>`)
	require.NoError(t, err)
	assert.Empty(t, d.Identities)
}

func TestReadRefuses(t *testing.T) {
	hostdev := func(address string) string {
		return "<domain><devices><hostdev type='pci'><source>" + address + "</source></hostdev></devices></domain>"
	}
	tests := []struct{ name, xml, says string }{
		{"nothing", "", "it is empty"},
		{"only a comment", "<!-- x -->", "it is empty"},
		{"no guest", "<network><name>default</name></network>", "it starts with <network>"},
		{"another's domain", "<x:domain xmlns:x='urn:x'/>", "it starts with <x:domain>"},
		{"plain text", "error: failed", "outside of the root"},
		{"a tag that is cut off", "<domain><name>x</na", "syntax error"},
		{"an end that is missing", "<domain><name>x</name>", "the end tag of <domain> is missing"},
		{"a wrong end", "<domain></devices>", "the end tag of devices closes nothing"},
		{"two roots", "<domain/><domain/>", "follows the root"},
		{"a document type", "<!DOCTYPE d [<!ENTITY a 'b'>]><domain/>", "no such declaration"},
		{"an unknown entity", "<domain>&a;</domain>", "entity"},
		{"an attribute twice", "<domain type='kvm' type='qemu'/>", "twice"},
		{"too many attributes", "<domain " + strings.Repeat("a='' ", 101) + "/>", "more than 100"},
		{"too deep", strings.Repeat("<domain>", 201) + strings.Repeat("</domain>", 201), "deeper than 200"},
		{"too long", "<domain>" + strings.Repeat(" ", maxBytes) + "</domain>", "more than"},
		{"another encoding", "<?xml version='1.0' encoding='latin1'?><domain/>", "encoding"},
		{"a lent device without address", hostdev(""), "PCI address is missing"},
		{"a lent device with half an address", hostdev("<address bus='1' slot='0'/>"), `function "" is not a number`},
		{"a segment that facts cannot hold", hostdev("<address domain='0x10000' bus='1' slot='0' function='0'/>"), "up to 0xffff"},
		{"a slot out of range", hostdev("<address bus='1' slot='0x20' function='0'/>"), "up to 0x1f"},
		{"an order that is no number", "<domain><devices><hostdev type='pci'><source><address bus='1' slot='0' function='0'/></source><boot order='x'/></hostdev></devices></domain>", `boot order "x"`},
		{"memory that is no number", "<domain><memory>much</memory></domain>", `"much" is not a whole number`},
		{"memory in an unknown unit", "<domain><memory unit='pounds'>1</memory></domain>", `unit "pounds"`},
		{"memory without end", "<domain><memory unit='EiB'>99</memory></domain>", "too large"},
		{"processors that are no number", "<domain><vcpu>-1</vcpu></domain>", "number of processors"},
		{"a broken note", "<domain><metadata><guest xmlns='urn:lendkeep:guest:1'><borrows address='1'/></guest></metadata></domain>", "lendkeep's note"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := Read(test.xml)
			require.Error(t, err)
			assert.Contains(t, err.Error(), test.says)
			assert.True(t, strings.HasPrefix(err.Error(), "read definition: "), err.Error())
		})
	}
}

func TestReadKeepsToTheDepthLimit(t *testing.T) {
	_, err := Read("<domain>" + strings.Repeat("<a>", maxDepth-1) + strings.Repeat("</a>", maxDepth-1) + "</domain>")
	assert.NoError(t, err)
}

func TestNames(t *testing.T) {
	name, uuid, err := Names(sample(t, "grading"))
	require.NoError(t, err)
	assert.Equal(t, "grading", name)
	assert.Equal(t, "6f1d2a34-0c5e-4b6a-9d11-2f8c53a7e0b1", uuid)
	_, _, err = Names("<domain/>")
	assert.ErrorContains(t, err, "names no guest")
}

func FuzzRead(f *testing.F) {
	for _, name := range samples {
		f.Add(sample(f, name))
	}
	f.Add("<domain><memory unit='\xff'>1</memory></domain>")
	f.Add("<domain xmlns:q='http://libvirt.org/schemas/domain/qemu/1.0'><q:commandline><q:arg value='file=/a,b:/c,{\"d\":\"/e\"},01:00.0'/></q:commandline></domain>")
	f.Fuzz(func(t *testing.T, xml string) {
		d, err := Read(xml)
		if err != nil {
			return
		}
		assert.Equal(t, xml, d.XML)
		assert.LessOrEqual(t, len(d.Reaches), maxReaches+1)
		for _, r := range d.Reaches {
			assert.LessOrEqual(t, len(r.Name), maxName)
		}
		// What can be read is written back byte for byte.
		tree, err := parse(xml)
		require.NoError(t, err)
		assert.Equal(t, xml, tree.String())
	})
}
