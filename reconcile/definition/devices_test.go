package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestEditDisks(t *testing.T) {
	marked := strings.Replace(sample(t, "catalogue"), "<target dev='hda' bus='ide'/>", "<target dev='hda' bus='ide'/>\n      <alias name='ua-lendkeep-disk-system'/>", 1)
	tests := []struct {
		name    string
		xml     string
		disk    Disk
		changes []string
		has     string
	}{
		{"the same source", sample(t, "catalogue"), Disk{Name: "system", Source: "/srv/shelf/catalogue.qcow2", Kind: "file", Format: "raw"}, nil,
			"<driver name='qemu' type='qcow2'/>"},
		{"by its mark", marked, Disk{Name: "system", Source: "/srv/b.img", Kind: "file", Format: "raw"},
			[]string{"disk system: /srv/b.img instead of /srv/shelf/catalogue.qcow2", "disk system: read as raw instead of qcow2"},
			"    <disk type='file' device='disk'>\n      <driver name='qemu' type='raw'/>\n      <source file='/srv/b.img'/>\n      <target dev='hda'"},
		{"by the name of its target, to a block device", sample(t, "catalogue"), Disk{Name: "hda", Source: "/dev/disk/by-partuuid/4f", Kind: "block"},
			[]string{"disk hda: /dev/disk/by-partuuid/4f instead of /srv/shelf/catalogue.qcow2", "disk hda: read as raw instead of qcow2"},
			"    <disk type='block' device='disk'>\n      <driver name='qemu' type='raw'/>\n      <source dev='/dev/disk/by-partuuid/4f'/>\n"},
		{"a spelled out chain goes with its image", sample(t, "grading"), Disk{Name: "vda", Source: "/srv/c.qcow2", Kind: "file", Format: "qcow2"},
			[]string{`disk vda: /srv/c.qcow2 instead of /srv/images/grading 'A' & "B".qcow2`,
				"disk vda: without <backingStore type='file'><format type='raw'/><source file='/srv/images/base.img'/><backingStore/></backingStore>"},
			"      <driver name='qemu' type='qcow2' cache='none' io='native'/>\n      <source file='/srv/c.qcow2'/>\n      <target dev='vda' bus='virtio'/>\n"},
		{"not by a target that has another's mark", marked, Disk{Name: "hda", Source: "/srv/b.img", Kind: "file", Format: "raw"},
			[]string{"disk hda: /srv/b.img (raw) as vdb on virtio"}, "<source file='/srv/shelf/catalogue.qcow2'/>"},
		{"another bus", sample(t, "catalogue"), Disk{Name: "system", Source: "/srv/shelf/catalogue.qcow2", Kind: "file", Bus: "virtio"},
			[]string{"disk system: vdb on virtio instead of ide",
				"disk system: without <address type='drive' controller='0' bus='0' target='0' unit='0'/>"}, "<target dev='vdb' bus='virtio'/>\n    </disk>"},
		{"in a pool that is known", sample(t, "grading"), Disk{Name: "cache", Source: "/srv/shelf/cache.qcow2", Kind: "file", Pool: "shelf", Volume: "cache.qcow2"}, nil, ""},
		{"a new one, after those of its bus", sample(t, "grading"), Disk{Name: "games", Source: "/srv/it's.qcow2", Kind: "file", Format: "qcow2"},
			[]string{"disk games: /srv/it's.qcow2 (qcow2) as vdd on virtio"},
			"    </disk>\n    <disk type='file' device='disk'>\n      <driver name='qemu' type='qcow2'/>\n      <source file='/srv/it&apos;s.qcow2'/>\n      <target dev='vdd' bus='virtio'/>\n      <alias name='ua-lendkeep-disk-games'/>\n    </disk>\n    <disk type='file' device='cdrom'>"},
		{"a new one of SCSI", sample(t, "grading"), Disk{Name: "games", Source: "/dev/b", Kind: "block", Bus: "scsi"},
			[]string{"disk games: /dev/b (raw) as sdb on scsi", "SCSI controller 0 (virtio-scsi)"},
			"<controller type='scsi' index='0' model='virtio-scsi'/>\n    <filesystem"},
		{"a new one where a SCSI controller is", sample(t, "catalogue"), Disk{Name: "games", Source: "/dev/b", Kind: "block", Bus: "scsi"},
			[]string{"disk games: /dev/b (raw) as sdb on scsi"}, "<target dev='sdb' bus='scsi'/>"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			name, _, err := Names(test.xml)
			require.NoError(t, err)
			after, changes := edited(t, test.xml, Wanted{Name: name, Disks: []Disk{test.disk}})
			assert.Equal(t, test.changes, changes)
			assert.Contains(t, after, test.has)
		})
	}
}

func TestEditNeverGivesOneImageTwice(t *testing.T) {
	first := Wanted{Name: "catalogue", Disks: []Disk{{Name: "a", Source: "/srv/a.img", Kind: "file", Format: "raw"}}}
	after, _ := edited(t, sample(t, "catalogue"), first)
	first.Disks[0].Name = "renamed"
	_, changes := edited(t, after, first)
	assert.Empty(t, changes)
}

// The names count as those of libvirt's virIndexToDiskName do.
func TestLetters(t *testing.T) {
	for n, want := range map[int]string{0: "a", 25: "z", 26: "aa", 51: "az", 52: "ba", 701: "zz", 702: "aaa"} {
		assert.Equal(t, want, letters(n))
		assert.Equal(t, n, targetNumber("vd"+want))
	}
	assert.Equal(t, -1, targetNumber("vd1"))
	assert.Equal(t, -1, targetNumber(""))
}

func TestMark(t *testing.T) {
	for name, want := range map[string]string{"games": "ua-lendkeep-disk-games", "a-9": "ua-lendkeep-disk-a-9", "a_b": "ua-lendkeep-disk-a__b", "ä&": "ua-lendkeep-disk-_c3_a4_26"} {
		assert.Equal(t, want, mark(diskMark, name))
	}
}

func TestEditNetworks(t *testing.T) {
	marked := strings.Replace(sample(t, "grading"), "<model type='e1000e'/>", "<model type='e1000e'/>\n      <alias name='ua-lendkeep-net-lan'/>", 1)
	tests := []struct {
		name    string
		xml     string
		network Network
		changes []string
		has     string
	}{
		{"the same bridge", sample(t, "grading"), Network{Name: "lan", Bridge: "br0"}, nil, ""},
		{"by its mark", marked, Network{Name: "lan", Network: "default"}, []string{"network lan: network default instead of bridge br0"},
			"    <interface type='network'>\n      <mac address='52:54:00:6d:90:01'/>\n      <source network='default'/>\n      <model"},
		{"by its MAC address", sample(t, "grading"), Network{Name: "lan", Bridge: "br1", MAC: "52:54:00:6D:90:01", Model: "e1000e"},
			[]string{"network lan: bridge br1 instead of bridge br0"}, "<source bridge='br1'/>"},
		{"another MAC address and model", sample(t, "grading"), Network{Name: "lan", Bridge: "br0", MAC: "52:54:00:00:00:01", Model: "virtio"},
			[]string{"network lan: MAC address 52:54:00:00:00:01 instead of 52:54:00:6d:90:01", "network lan: model virtio instead of e1000e"},
			"<mac address='52:54:00:00:00:01'/>\n      <source bridge='br0'/>\n      <model type='virtio'/>\n      <boot order='2'/>"},
		{"a new one", sample(t, "grading"), Network{Name: "store", Bridge: "br7"}, []string{"network store: bridge br7"},
			"    </interface>\n    <interface type='bridge'>\n      <source bridge='br7'/>\n      <model type='virtio'/>\n      <alias name='ua-lendkeep-net-store'/>\n    </interface>\n    <channel"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			after, changes := edited(t, test.xml, Wanted{Name: "grading", Networks: []Network{test.network}})
			assert.Equal(t, test.changes, changes)
			assert.Contains(t, after, test.has)
		})
	}
}

func TestCreate(t *testing.T) {
	on := true
	w := Wanted{
		Name: "catalogue & co", Type: "qemu", Emulator: "/usr/bin/qemu-system-x86_64", Firmware: "uefi",
		CPUs: 2, Near: &Near{Node: 1, CPUs: []int{4, 12}, Rest: "5,13"}, MemoryBytes: 2 << 30, HugePages: &on, PageBytes: 1 << 30,
		Disks:    []Disk{{Name: "system", Source: "/srv/c.qcow2", Kind: "file", Format: "qcow2"}, {Name: "prints", Source: "/dev/b", Kind: "block", Bus: "scsi"}},
		Networks: []Network{{Name: "lan", Network: "default", MAC: "52:54:00:00:00:01"}},
		Borrows:  []Borrowed{{Identity: reel(t, "0000:01:00.0"), Boots: true}},
	}
	xml, _, err := Create(w)
	require.NoError(t, err)
	_, changes := edited(t, xml, w)
	assert.Empty(t, changes)
	assert.Equal(t, `<domain type='qemu'>
  <name>catalogue &amp; co</name>
  <metadata>
    <lendkeep:guest xmlns:lendkeep="urn:lendkeep:guest:1">
      <lendkeep:borrows controller="reel" serial="RL-4410-0073" address="0000:01:00.0" vendor="1b36" device="0010"/>
    </lendkeep:guest>
  </metadata>
  <memory unit='KiB'>2097152</memory>
  <currentMemory unit='KiB'>2097152</currentMemory>
  <memoryBacking>
    <hugepages>
      <page size='1048576' unit='KiB'/>
    </hugepages>
  </memoryBacking>
  <vcpu placement='static'>2</vcpu>
  <cputune>
    <vcpupin vcpu='0' cpuset='4'/>
    <vcpupin vcpu='1' cpuset='12'/>
    <emulatorpin cpuset='5,13'/>
  </cputune>
  <numatune>
    <memory mode='strict' nodeset='1'/>
  </numatune>
  <os firmware='efi'>
    <type arch='x86_64' machine='q35'>hvm</type>
  </os>
  <features>
    <acpi/>
    <apic/>
  </features>
  <cpu mode='maximum' check='none'/>
  <clock offset='utc'/>
  <on_poweroff>destroy</on_poweroff>
  <on_reboot>restart</on_reboot>
  <on_crash>destroy</on_crash>
  <devices>
    <emulator>/usr/bin/qemu-system-x86_64</emulator>
    <disk type='file' device='disk'>
      <driver name='qemu' type='qcow2'/>
      <source file='/srv/c.qcow2'/>
      <target dev='vda' bus='virtio'/>
      <alias name='ua-lendkeep-disk-system'/>
    </disk>
    <disk type='block' device='disk'>
      <driver name='qemu' type='raw'/>
      <source dev='/dev/b'/>
      <target dev='sda' bus='scsi'/>
      <alias name='ua-lendkeep-disk-prints'/>
    </disk>
    <controller type='scsi' index='0' model='virtio-scsi'/>
    <interface type='network'>
      <mac address='52:54:00:00:00:01'/>
      <source network='default'/>
      <model type='virtio'/>
      <alias name='ua-lendkeep-net-lan'/>
    </interface>
    <serial type='pty'>
      <target port='0'/>
    </serial>
    <console type='pty'>
      <target type='serial' port='0'/>
    </console>
    <input type='tablet' bus='usb'/>
    <graphics type='vnc' port='-1' autoport='yes' listen='127.0.0.1'>
      <listen type='address' address='127.0.0.1'/>
    </graphics>
    <video>
      <model type='virtio' heads='1' primary='yes'/>
    </video>
    <hostdev mode='subsystem' type='pci' managed='yes'>
      <driver name='vfio'/>
      <source>
        <address domain='0x0000' bus='0x01' slot='0x00' function='0x0'/>
      </source>
      <boot order='1'/>
    </hostdev>
    <memballoon model='none'/>
  </devices>
</domain>
`, xml)
}

func TestCreateOfTheLeast(t *testing.T) {
	w := Wanted{Name: "catalogue", MemoryBytes: 1 << 30}
	xml, _, err := Create(w)
	require.NoError(t, err)
	assert.Contains(t, xml, "<domain type='kvm'>")
	assert.Contains(t, xml, "<cpu mode='host-passthrough' check='none' migratable='on'/>")
	assert.NotContains(t, xml, "memballoon", "nothing is pinned, so that a balloon is of use")
	edited(t, xml, w)

	_, _, err = Create(Wanted{Name: "catalogue"})
	assert.ErrorContains(t, err, "memory is not stated")
	_, _, err = Create(Wanted{MemoryBytes: 1})
	assert.ErrorContains(t, err, "no name")
}

func TestDifferenceOfEqualTextsIsNone(t *testing.T) {
	assert.Empty(t, Difference("a\nb\n", "a\nb\n"))
	assert.Empty(t, Difference("a\nb", "a\nb\n"), "a missing line break at the end is none")
	assert.Equal(t, []string{"becomes | a"}, Difference("", "a"))
	assert.Equal(t, []string{"was     | a", "becomes | b"}, Difference("a\n", "b\n"))
	assert.Equal(t, []string{"was     | -- a", "becomes | ++ b"}, Difference("-- a\n", "++ b\n"))
}

// A disk whose system is on the drive now leaves, with every other byte as it
// was; named by its path or as a volume of a pool.
func TestEditLeaves(t *testing.T) {
	before := sample(t, "catalogue")
	after, changes := edited(t, before, Wanted{Name: "catalogue", Leaves: []Disk{{Source: "/srv/shelf/catalogue.qcow2"}}})
	assert.Equal(t, []string{"disk hda: /srv/shelf/catalogue.qcow2 leaves, its system is on the drive; the image stays"}, changes)
	start := strings.Index(before, "\n    <disk type='file' device='disk'>")
	end := start + strings.Index(before[start:], "</disk>") + len("</disk>")
	assert.Equal(t, before[:start]+before[end:], after)
	again, changes := edited(t, after, Wanted{Name: "catalogue", Leaves: []Disk{{Source: "/srv/shelf/catalogue.qcow2"}}})
	assert.Empty(t, changes)
	assert.Equal(t, after, again)

	_, changes = edited(t, sample(t, "grading"), Wanted{Name: "grading", Leaves: []Disk{{Source: "/srv/shelf/cache.qcow2", Pool: "shelf", Volume: "cache.qcow2"}}})
	require.Len(t, changes, 1)
	assert.Contains(t, changes[0], "/srv/shelf/cache.qcow2 leaves")

	_, _, err := Edit(before, Wanted{Name: "catalogue", Leaves: []Disk{{Source: "/srv/a.img"}}, Disks: []Disk{{Name: "system", Source: "/srv/a.img", Kind: "file", Format: "raw"}}})
	require.ErrorContains(t, err, "its system moves from /srv/a.img to a drive")
}
