package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func reel(t testing.TB, at string) facts.Identity {
	return facts.Identity{Controller: "reel", Serial: "RL-4410-0073", Vendor: 0x1b36, Device: 0x10, Address: address(t, at)}
}

func spool(t testing.TB, at string) facts.Identity {
	return facts.Identity{Controller: "spool", Serial: "SP-1", Vendor: 0x1b36, Device: 0x10, Address: address(t, at)}
}

// edited edits, and holds what is true of every edit: doing it again changes
// nothing, and no change means the same text.
func edited(t testing.TB, xml string, w Wanted) (string, []string) {
	t.Helper()
	after, changes, err := Edit(xml, w)
	require.NoError(t, err)
	assert.Equal(t, len(changes) == 0, after == xml, "changes %q", changes)
	again, more, err := Edit(after, w)
	require.NoError(t, err)
	assert.Empty(t, more)
	assert.Equal(t, after, again)
	return after, changes
}

func TestEditOfNothingGivesTheTextBack(t *testing.T) {
	for _, name := range samples {
		guest, _, err := Names(sample(t, name))
		require.NoError(t, err)
		after, changes := edited(t, sample(t, name), Wanted{Name: guest})
		assert.Empty(t, changes)
		assert.Equal(t, sample(t, name), after)
	}
}

// The main job: a guest gets a controller, starts from it, and more memory.
func TestEditForTheMainJob(t *testing.T) {
	on := true
	w := Wanted{
		Name: "grading", CPUs: 6, Near: &Near{Node: 1, CPUs: []int{2, 34, 3, 35, 4, 36}, Rest: "1,33"}, MemoryBytes: 16 << 30, HugePages: &on,
		Borrows: []Borrowed{{Identity: reel(t, "0000:01:00.0"), Boots: true}},
		Known:   []facts.Identity{reel(t, "0000:01:00.0")},
	}
	before := sample(t, "grading")
	after, changes := edited(t, before, w)
	assert.Equal(t, []string{
		"memory 16 GiB instead of 512 MiB", "memory 16 GiB from the start instead of 256 MiB",
		"memory in huge pages",
		"6 processors instead of 2", "as many at most, instead of 4",
		"processors as one socket with 3 cores of 2 threads, instead of <topology sockets='1' dies='1' cores='2' threads='2'/>",
		"processors on CPUs 2, 34, 3, 35, 4, 36 of the host, one by one, instead of 1, 0, any, any, any, any",
		"its emulator on CPUs 1,33 of the host instead of 0",
		"its IO thread 1 on CPUs 1,33 of the host", "its IO thread 2 on CPUs 1,33 of the host",
		"all its memory from node 1 of the host",
		"borrows reel (RL-4410-0073) at 0000:01:00.0",
		"starts from reel: boot order 1, disk vda moves to 2, network card 52:54:00:6d:90:01 moves to 3, disk sda moves to 4",
	}, changes)
	assert.Equal(t, strings.TrimPrefix(`
        |   <description>Film scans at 4K; don&apos;t move &lt;by hand&gt;</description>
        |   <metadata>
        |     <studio:desk xmlns:studio="urn:larch:desk" owner="it's &quot;A&quot;">north &gt; south, "quoted" &amp; 'single'<studio:note k="a&#10;b"/><!-- keep --></studio:desk>
becomes |     <lendkeep:guest xmlns:lendkeep="urn:lendkeep:guest:1">
becomes |       <lendkeep:borrows controller="reel" serial="RL-4410-0073" address="0000:01:00.0" vendor="1b36" device="0010"/>
becomes |     </lendkeep:guest>
        |   </metadata>
was     |   <memory unit='KiB'>524288</memory>
was     |   <currentMemory unit='KiB'>262144</currentMemory>
becomes |   <memory unit='KiB'>16777216</memory>
becomes |   <currentMemory unit='KiB'>16777216</currentMemory>
        |   <memtune>
        |     <hard_limit unit='KiB'>41943040</hard_limit>
        |   </memtune>
was     |   <vcpu placement='static' cpuset='0-1' current='2'>4</vcpu>
becomes |   <memoryBacking>
becomes |     <hugepages/>
becomes |   </memoryBacking>
becomes |   <vcpu placement='static' cpuset='0-1'>6</vcpu>
        |   <iothreads>2</iothreads>
        |   <cputune>
was     |     <vcpupin vcpu='0' cpuset='1'/>
was     |     <vcpupin vcpu='1' cpuset='0'/>
was     |     <emulatorpin cpuset='0'/>
becomes |     <vcpupin vcpu='0' cpuset='2'/>
becomes |     <vcpupin vcpu='1' cpuset='34'/>
becomes |     <vcpupin vcpu='2' cpuset='3'/>
becomes |     <vcpupin vcpu='3' cpuset='35'/>
becomes |     <vcpupin vcpu='4' cpuset='4'/>
becomes |     <vcpupin vcpu='5' cpuset='36'/>
becomes |     <emulatorpin cpuset='1,33'/>
becomes |     <iothreadpin iothread='1' cpuset='1,33'/>
becomes |     <iothreadpin iothread='2' cpuset='1,33'/>
        |   </cputune>
becomes |   <numatune>
becomes |     <memory mode='strict' nodeset='1'/>
becomes |   </numatune>
        |   <os>
        |     <type arch='x86_64' machine='pc-q35-7.2'>hvm</type>
        |     <loader readonly='yes' secure='no' type='pflash'>/usr/share/OVMF/OVMF_CODE_4M.fd</loader>
        ...
        |     <vmport state='off'/>
        |   </features>
        |   <cpu mode='maximum' check='none'>
was     |     <topology sockets='1' dies='1' cores='2' threads='2'/>
becomes |     <topology sockets='1' dies='1' cores='3' threads='2'/>
        |   </cpu>
        |   <clock offset='localtime'>
        |     <timer name='rtc' tickpolicy='catchup'/>
        ...
        |       </backingStore>
        |       <target dev='vda' bus='virtio'/>
        |       <serial>GRD-1</serial>
was     |       <boot order='1'/>
becomes |       <boot order='2'/>
        |       <address type='pci' domain='0x0000' bus='0x06' slot='0x00' function='0x0'/>
        |     </disk>
        |     <disk type='volume' device='disk'>
        ...
        |       <driver name='qemu' type='raw'/>
        |       <target dev='sda' bus='sata'/>
        |       <readonly/>
was     |       <boot order='3'/>
becomes |       <boot order='4'/>
        |       <address type='drive' controller='0' bus='0' target='0' unit='0'/>
        |     </disk>
        |     <controller type='usb' index='0' model='qemu-xhci'>
        ...
        |       <mac address='52:54:00:6d:90:01'/>
        |       <source bridge='br0'/>
        |       <model type='e1000e'/>
was     |       <boot order='2'/>
becomes |       <boot order='3'/>
        |       <address type='pci' domain='0x0000' bus='0x03' slot='0x00' function='0x0'/>
        |     </interface>
        |     <channel type='unix'>
        ...
        |       </source>
        |       <address type='usb' bus='0' port='1'/>
        |     </hostdev>
becomes |     <hostdev mode='subsystem' type='pci' managed='yes'>
becomes |       <driver name='vfio'/>
becomes |       <source>
becomes |         <address domain='0x0000' bus='0x01' slot='0x00' function='0x0'/>
becomes |       </source>
becomes |       <boot order='1'/>
becomes |     </hostdev>
        |     <watchdog model='i6300esb' action='reset'>
        |       <address type='pci' domain='0x0000' bus='0x0c' slot='0x01' function='0x0'/>
        |     </watchdog>
`, "\n"), strings.Join(Difference(before, after), "\n")+"\n")
}

func TestEditMemoryProcessorsAndPages(t *testing.T) {
	on, off := true, false
	numa := strings.Replace(sample(t, "grading"), "<topology", "<numa><cell id='0' cpus='0-3' memory='524288' unit='KiB'/></numa><topology", 1)
	paged := strings.Replace(sample(t, "catalogue"), "<vcpu ", "<memoryBacking>\n    <hugepages/>\n    <locked/>\n  </memoryBacking>\n  <vcpu ", 1)
	tests := []struct {
		name, xml string
		w         Wanted
		changes   []string
		has       string
	}{
		{"memory in another unit is the same", strings.Replace(sample(t, "catalogue"), "<memory unit='KiB'>1048576<", `<memory unit="GiB">1<`, 1),
			Wanted{Name: "catalogue", MemoryBytes: 1 << 30}, nil, `<memory unit="GiB">1<`},
		{"a balloon is filled", strings.Replace(sample(t, "catalogue"), "<currentMemory unit='KiB'>1048576<", "<currentMemory unit='KiB'>1024<", 1),
			Wanted{Name: "catalogue", MemoryBytes: 1 << 30}, []string{"memory 1 GiB from the start instead of 1 MiB"}, "<currentMemory unit='KiB'>1048576<"},
		{"memory not in whole KiB is rounded up", sample(t, "catalogue"), Wanted{Name: "catalogue", MemoryBytes: 1<<30 - 1}, nil, ""},
		{"pages on", sample(t, "catalogue"), Wanted{Name: "catalogue", HugePages: &on}, []string{"memory in huge pages"}, "<memoryBacking>\n    <hugepages/>\n  </memoryBacking>\n  <vcpu"},
		{"pages already on", paged, Wanted{Name: "catalogue", HugePages: &on}, nil, ""},
		{"pages off, the rest stays", paged, Wanted{Name: "catalogue", HugePages: &off}, []string{"memory no longer in huge pages"}, "<memoryBacking>\n    <locked/>\n  </memoryBacking>"},
		{"one processor", sample(t, "grading"), Wanted{Name: "grading", CPUs: 1},
			[]string{"1 processor instead of 2", "as many at most, instead of 4", "processors: without <vcpupin vcpu='1' cpuset='0'/>",
				"processors as one socket with 1 core of 1 thread, instead of <topology sockets='1' dies='1' cores='2' threads='2'/>"}, "<vcpu placement='static' cpuset='0-1'>1<"},
		{"the same processors and memory on nodes", numa, Wanted{Name: "grading", CPUs: 2}, nil, ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			after, changes := edited(t, test.xml, test.w)
			assert.Equal(t, test.changes, changes)
			assert.Contains(t, after, test.has)
		})
	}
	for _, w := range []Wanted{{Name: "grading", CPUs: 6}, {Name: "grading", MemoryBytes: 1 << 30}} {
		_, _, err := Edit(numa, w)
		assert.ErrorContains(t, err, "by hand")
	}
}

func TestEditFirmware(t *testing.T) {
	tests := []struct {
		name, guest, wanted string
		changes             []string
		has                 string
	}{
		{"UEFI by path is UEFI", "grading", "uefi", nil, ""},
		{"the same path", "grading", "/usr/share/OVMF/OVMF_CODE_4M.fd", nil, ""},
		{"BIOS is BIOS", "catalogue", "bios", nil, ""},
		{"to UEFI", "catalogue", "uefi", []string{"firmware UEFI instead of BIOS"}, "<os firmware='efi'>"},
		{"to BIOS", "grading", "bios", []string{
			"firmware: without <loader readonly='yes' secure='no' type='pflash'>/usr/share/OVMF/OVMF_CODE_4M.fd</loader>",
			"firmware variables /var/lib/libvirt/qemu/nvram/grading_VARS.fd no longer used, nor the boot entries and keys in them; the store itself stays",
			"firmware: without <nvram template='/usr/share/OVMF/OVMF_VARS_4M.fd'>/var/lib/libvirt/qemu/nvram/grading_VARS.fd</nvram>",
			"firmware BIOS instead of UEFI",
		}, "hvm</type>\n    <bootmenu"},
		{"to another image", "grading", "/opt/fw.fd", []string{
			"firmware: without <loader readonly='yes' secure='no' type='pflash'>/usr/share/OVMF/OVMF_CODE_4M.fd</loader>",
			"firmware variables /var/lib/libvirt/qemu/nvram/grading_VARS.fd no longer used, nor the boot entries and keys in them; the store itself stays",
			"firmware: without <nvram template='/usr/share/OVMF/OVMF_VARS_4M.fd'>/var/lib/libvirt/qemu/nvram/grading_VARS.fd</nvram>",
			"firmware /opt/fw.fd instead of /usr/share/OVMF/OVMF_CODE_4M.fd",
		}, "hvm</type>\n    <loader readonly='yes' type='pflash'>/opt/fw.fd</loader>\n    <bootmenu"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			after, changes := edited(t, sample(t, test.guest), Wanted{Name: test.guest, Firmware: test.wanted})
			assert.Equal(t, test.changes, changes)
			assert.Contains(t, after, test.has)
		})
	}
}

func TestEditRefuses(t *testing.T) {
	r := reel(t, "0000:01:00.0")
	on := true
	disk := Disk{Name: "a", Source: "/srv/a.img", Kind: "file", Format: "raw"}
	tests := []struct {
		name string
		w    Wanted
		says string
	}{
		{"another guest", Wanted{Name: "catalogue"}, `it is of guest "grading", not "catalogue"`},
		{"no name", Wanted{}, "no name"},
		{"two to start from", Wanted{Name: "grading", Borrows: []Borrowed{{Identity: r, Boots: true}, {Identity: spool(t, "0000:02:00.0"), Boots: true}}}, "both reel and spool"},
		{"two at one address", Wanted{Name: "grading", Borrows: []Borrowed{{Identity: r}, {Identity: spool(t, "0000:01:00.0")}}}, "are both at 0000:01:00.0"},
		{"one image twice", Wanted{Name: "grading", Disks: []Disk{disk, {Name: "b", Source: "/srv/a.img", Kind: "file"}}}, "a and b are both /srv/a.img"},
		{"an image of unknown format", Wanted{Name: "grading", Disks: []Disk{{Name: "a", Source: "/srv/a.img", Kind: "file"}}}, "format of /srv/a.img is not known"},
		{"a disk of nothing", Wanted{Name: "grading", Disks: []Disk{{Name: "a"}}}, "no file or block device"},
		{"what a pool may hold already", Wanted{Name: "grading", Disks: []Disk{{Name: "a", Source: "/srv/shelf/cache.qcow2", Kind: "file", Format: "qcow2"}}}, "may be volume cache.qcow2"},
		{"a volume of that name in another pool", Wanted{Name: "grading", Disks: []Disk{{Name: "a", Source: "/srv/shelf/cache.qcow2", Kind: "file", Format: "qcow2", Pool: "other", Volume: "cache.qcow2"}}}, "may be volume cache.qcow2"},
		{"a card to nowhere", Wanted{Name: "grading", Networks: []Network{{Name: "lan"}}}, "one of bridge and network"},
		{"a control character", Wanted{Name: "grading", Disks: []Disk{{Name: "a", Source: "/srv/a\n.img", Kind: "file"}}}, "cannot be written in XML"},
		{"no firmware", Wanted{Name: "grading", Firmware: "coreboot"}, "neither uefi, bios nor a path"},
		{"no set of CPUs", Wanted{Name: "grading", CPUs: 1, Near: &Near{CPUs: []int{1}, Rest: "all"}}, "not a set of CPUs"},
		{"a map of other processors", Wanted{Name: "grading", CPUs: 2, Near: &Near{CPUs: []int{1}, Rest: "0"}}, "not one for each of its 2 processors"},
		{"a map without processors", Wanted{Name: "grading", Near: &Near{Rest: "0"}}, "not one for each of its 0 processors"},
		{"one CPU twice", Wanted{Name: "grading", CPUs: 2, Near: &Near{CPUs: []int{1, 1}, Rest: "0"}}, "cannot be given to two processors"},
		{"pages of no size", Wanted{Name: "grading", MemoryBytes: 3 << 30, HugePages: &on, PageBytes: 3 << 20}, "no huge page has 3145728 bytes"},
		{"no whole pages", Wanted{Name: "grading", MemoryBytes: 3 << 29, HugePages: &on, PageBytes: 1 << 30}, "not whole pages of 1 GiB"},
		{"a size of no pages", Wanted{Name: "grading", MemoryBytes: 1 << 30, PageBytes: 1 << 30}, "with huge pages alone"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			after, changes, err := Edit(sample(t, "grading"), test.w)
			assert.ErrorContains(t, err, test.says)
			assert.Empty(t, after)
			assert.Empty(t, changes)
		})
	}
	_, _, err := Edit("<domain><name>x</name></domain>", Wanted{Name: "x"})
	assert.ErrorContains(t, err, "no <devices>")
}
