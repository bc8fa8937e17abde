package definition

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

const qemuNamespace = "xmlns:q='http://libvirt.org/schemas/domain/qemu/1.0'"

// Every way in which a definition can use a host is told; the syntax is that of
// libvirt's domain format and of QEMU's options, from memory.
func TestReadTellsWhatIsReached(t *testing.T) {
	path := func(name string) facts.Reach { return facts.Reach{Kind: facts.ReachPath, Name: name} }
	only := func(name string) facts.Reach { return facts.Reach{Kind: facts.ReachPath, Name: name, ReadOnly: true} }
	kind := func(kind facts.ReachKind, name string) facts.Reach { return facts.Reach{Kind: kind, Name: name} }
	unclear := func(text string) facts.Reach { return kind(facts.ReachUnclear, text) }
	tests := []struct {
		name, devices string
		want          []facts.Reach
	}{
		{"a persistent memory device", "<memory model='nvdimm'><source><path>/dev/pmem0</path><pmem/></source></memory>", []facts.Reach{path("/dev/pmem0")}},
		{"a serial port on a device", "<serial type='dev'><source path='/dev/nvme0n1p1'/></serial>", []facts.Reach{path("/dev/nvme0n1p1")}},
		{"a console into a file", "<console type='file'><source path='/srv/shelf/console'/></console>", []facts.Reach{path("/srv/shelf/console")}},
		{"a pipe", "<parallel type='pipe'><source path='/srv/shelf/pipe'/></parallel>", []facts.Reach{path("/srv/shelf/pipe")}},
		{"a socket", "<channel type='unix'><source mode='bind' path='/srv/shelf/agent'/><target type='virtio' name='a'/></channel>", []facts.Reach{path("/srv/shelf/agent")}},
		{"a log", "<serial type='pty'><log file='/srv/shelf/log' append='on'/></serial>", []facts.Reach{path("/srv/shelf/log")}},
		{"null modem", "<serial type='nmdm'><source master='/dev/nmdm0A' slave='/dev/nmdm0B'/></serial>", []facts.Reach{path("/dev/nmdm0A"), path("/dev/nmdm0B")}},
		{"a random device", "<rng model='virtio'><backend model='random'>/dev/hwrng</backend></rng>", []facts.Reach{path("/dev/hwrng")}},
		{"text that a comment parts", "<rng><backend model='random'><!-- x -->/dev/<!-- y -->sdb</backend></rng>", []facts.Reach{path("/dev/sdb")}},
		{"a source that is JSON", `<disk type='file'><source file='json:{"driver":"raw","file":{"driver":"host_device","filename":"/dev/nvme0n1"}}'/></disk>`,
			[]facts.Reach{path("/dev/nvme0n1"), unclear(`json:{"driver":"raw","file":{"driver":"host_device","filename":"/dev/nvme0n1"}}`)}},
		{"a source that is a protocol", "<disk type='file'><source file='nbd:unix:/run/shelf.sock:exportname=x'/></disk>", []facts.Reach{path("/run/shelf.sock:exportname=x"), path("/run/shelf.sock"), unclear("nbd:unix:/run/shelf.sock:exportname=x")}},
		{"a folder as a disk", "<disk type='file'><source file='fat:rw:/srv/shelf/x y'/></disk>", []facts.Reach{path("/srv/shelf/x y"), path("/srv/shelf/x"), unclear("fat:rw:/srv/shelf/x y")}},
		{"a socket of a block server", "<disk type='network'><source protocol='nbd' name='x'><host transport='unix' socket='/run/nbd'/></source></disk>", []facts.Reach{path("/run/nbd")}},
		{"a program for reservations", "<disk type='block' device='lun'><source dev='/dev/sda'><reservations managed='no'><source type='unix' path='/run/pr' mode='client'/></reservations></source></disk>", []facts.Reach{path("/run/pr")}},
		{"a file opened by somebody", "<disk type='file'><source file='/a' fdgroup='mine'/></disk>", []facts.Reach{unclear("mine")}},
		{"a socket of a file server", "<filesystem type='mount'><driver type='virtiofs'/><source socket='/run/fs'/><target dir='x'/></filesystem>", []facts.Reach{path("/run/fs")}},
		{"a SCSI device", "<hostdev mode='subsystem' type='scsi'><source><adapter name='scsi_host2'/><address bus='0' target='1' unit='0'/></source></hostdev>", []facts.Reach{kind(facts.ReachSCSI, "2:0:1:0")}},
		{"a SCSI device somewhere", "<hostdev mode='subsystem' type='scsi'><source><adapter name='x'/></source></hostdev>", []facts.Reach{kind(facts.ReachSCSI, "")}},
		{"a SCSI device of another machine", "<hostdev mode='subsystem' type='scsi'><source protocol='iscsi' name='iqn.x/1'><host name='a'/></source></hostdev>", nil},
		{"a SCSI host of the kernel's", "<hostdev mode='subsystem' type='scsi_host'><source protocol='vhost' wwpn='naa.5123456789abcde0'/></hostdev>", []facts.Reach{unclear("a device of the host of type scsi_host naa.5123456789abcde0")}},
		{"a SCSI host by its function", "<hostdev mode='subsystem' type='scsi'><source><adapter type='scsi_host'><parentaddr unique_id='1'><address domain='0' bus='1' slot='0' function='2'/></parentaddr></adapter><address bus='0' target='0' unit='0'/></source></hostdev>",
			[]facts.Reach{kind(facts.ReachParent, "0000:01:00.2")}},
		{"a mediated device", "<hostdev mode='subsystem' type='mdev' model='vfio-pci'><source><address uuid='C2177883-F1BB-47F0-914D-32A22E3A8804'/></source></hostdev>", []facts.Reach{kind(facts.ReachMdev, "c2177883-f1bb-47f0-914d-32a22e3a8804")}},
		{"a USB device by address", "<hostdev mode='subsystem' type='usb'><source><address bus='1' device='0x0a'/></source></hostdev>", []facts.Reach{kind(facts.ReachUSB, "1:10")}},
		{"a USB device by kind", "<hostdev mode='subsystem' type='usb'><source><vendor id='0x951'/><product id='0x1666'/></source></hostdev>", []facts.Reach{kind(facts.ReachUSB, "0951:1666")}},
		{"a USB device by both", "<hostdev mode='subsystem' type='usb'><source><vendor id='0x951'/><product id='0x1666'/><address bus='1' device='4'/></source></hostdev>", []facts.Reach{kind(facts.ReachUSB, "1:4")}},
		{"a protocol that nobody knows", "<disk type='network'><source protocol='pigeon' name='x'/></disk>", []facts.Reach{unclear("pigeon")}},
		{"a protocol", "<disk type='network'><source protocol='rbd' name='pool/x'><host name='a' port='1'/></source></disk>", nil},
		{"a block device of a container", "<hostdev mode='capabilities' type='storage'><source><block>/dev/sdb</block></source></hostdev>", []facts.Reach{path("/dev/sdb")}},
		{"a character device of a container", "<hostdev mode='capabilities' type='misc'><source><char>/dev/nvme0</char></source></hostdev>", []facts.Reach{path("/dev/nvme0")}},
		{"an interface of a container", "<hostdev mode='capabilities' type='net'><source><interface>eth0</interface></source></hostdev>", []facts.Reach{kind(facts.ReachCard, "eth0")}},
		{"a host device of no known kind", "<hostdev mode='subsystem' type='pigeon'><source><address slot='1' bus='2' function='0'/></source></hostdev>",
			[]facts.Reach{unclear("a device of the host of type pigeon"), kind(facts.ReachPCI, "0000:02:01.0")}},
		{"a server of disks", "<disk type='vhostuser'><source type='unix' path='/run/vhost'/></disk>", nil}, // it is in Disks
		{"a server of networks", "<interface type='vhostuser'><source type='unix' path='/run/switch' mode='client'/></interface>", []facts.Reach{path("/run/switch")}},
		{"a card shared with the host", "<interface type='direct'><source dev='eth1' mode='vepa'/></interface>", []facts.Reach{kind(facts.ReachCard, "eth1")}},
		{"a vDPA card", "<interface type='vdpa'><source dev='/dev/vhost-vdpa-0'/></interface>", []facts.Reach{path("/dev/vhost-vdpa-0")}},
		{"a network", "<interface type='network'><source network='pool'/></interface>", []facts.Reach{kind(facts.ReachNetwork, "pool")}},
		{"a bridge", "<interface type='bridge'><source bridge='br0'/><target dev='vnet0'/></interface>", nil},
		{"an interface's files", "<interface type='ethernet'><script path='/etc/up'/><backend type='passt' logFile='/srv/shelf/passt'/></interface>", []facts.Reach{only("/etc/up"), path("/srv/shelf/passt")}},
		{"a locked file", "<lease><lockspace>a</lockspace><key>b</key><target path='/srv/shelf/lease' offset='1'/></lease>", []facts.Reach{path("/srv/shelf/lease")}},
		{"a TPM's folder", "<tpm model='tpm-crb'><backend type='emulator' version='2.0'/></tpm>", []facts.Reach{path("/var/lib/libvirt/swtpm")}},
		{"a TPM's own folder", "<tpm><backend type='emulator'><source type='dir' path='/srv/shelf/tpm'/></backend></tpm>", []facts.Reach{path("/srv/shelf/tpm")}},
		{"the host's TPM", "<tpm><backend type='passthrough'><device path='/dev/tpm0'/></backend></tpm>", []facts.Reach{path("/dev/tpm0")}},
		{"shared memory of a server", "<shmem name='m'><server path='/run/shmem'/></shmem>", []facts.Reach{path("/run/shmem")}},
		{"shared memory", "<shmem name='m'/>", []facts.Reach{path("/dev/shm/m")}},
		{"smart cards", "<smartcard mode='host'/><smartcard mode='host-certificates'><database>/srv/shelf/nss</database></smartcard>",
			[]facts.Reach{unclear("a reader of smart cards of the host's"), only("/srv/shelf/nss")}},
		{"sound", "<audio id='1' type='oss'><input dev='/dev/dsp0'/></audio><audio id='2' type='file' path='/srv/shelf/sound.wav'/>", []facts.Reach{path("/dev/dsp0"), path("/srv/shelf/sound.wav")}},
		{"input devices", "<input type='evdev'><source dev='/dev/input/event3' grab='all'/></input><input type='passthrough'><source evdev='/dev/input/event4'/></input>",
			[]facts.Reach{path("/dev/input/event3"), path("/dev/input/event4")}},
		{"a viewer's socket", "<graphics type='vnc' socket='/srv/shelf/vnc'><listen type='socket' socket='/srv/shelf/vnc'/></graphics>", []facts.Reach{path("/srv/shelf/vnc")}},
		{"a graphics card", "<graphics type='egl-headless'><gl rendernode='/dev/dri/renderD128'/></graphics>", []facts.Reach{path("/dev/dri/renderD128")}},
		{"an option ROM", "<interface type='bridge'><source bridge='b'/><rom bar='on' file='/srv/shelf/rom'/></interface>", []facts.Reach{only("/srv/shelf/rom")}},
		{"what needs nothing", `<panic model='isa'/><vsock model='virtio'><cid auto='no' address='4'/></vsock><watchdog model='itco' action='reset'/><hub type='usb'/>
			<memballoon model='virtio'><address type='pci' domain='0' bus='1' slot='0' function='0'/></memballoon>`, nil},
		{"a switch that nobody knows yet", "<memballoon model='virtio' newer='on' much='5'/>", nil},
		{"a device that nobody knows yet", "<pigeon home='/srv/shelf' at='0000:01:00.0'><wing>left</wing></pigeon>",
			[]facts.Reach{path("/srv/shelf"), kind(facts.ReachPCI, "0000:01:00.0"), unclear("<pigeon>"), unclear("<wing> left")}},
		{"a source that nobody knows yet", "<disk type='file'><source hole='nvme0n1'/></disk>", []facts.Reach{unclear("nvme0n1")}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d, err := Read("<domain><devices>" + test.devices + "</devices></domain>")
			require.NoError(t, err)
			assert.Equal(t, test.want, without(d.Reaches))
		})
	}
}

// without leaves out where each was found.
func without(list []facts.Reach) []facts.Reach {
	var bare []facts.Reach
	for _, r := range list {
		r.At = ""
		bare = append(bare, r)
	}
	return bare
}

func TestReadTellsWhatTheGuestAsAWholeReaches(t *testing.T) {
	d, err := Read(`<domain><metadata><x:note xmlns:x='urn:x'>/srv/nothing</x:note></metadata><description>/srv/nothing</description>
		<bootloader>/usr/bin/fetch</bootloader><memoryBacking><source type='file'/></memoryBacking>
		<sysinfo type='fwcfg'><entry name='opt/a' file='/srv/shelf/fw'/><entry name='opt/b'>/srv/nothing</entry></sysinfo>
		<os firmware='efi'><loader>/usr/share/fw.fd</loader><nvram template='/usr/share/vars.fd'>/srv/shelf/vars.fd</nvram>
		<kernel>/srv/shelf/vmlinuz</kernel><initrd>/srv/shelf/initrd</initrd><dtb>/srv/shelf/dtb</dtb><cmdline>root=/dev/vda1</cmdline>
		<acpi><table type='slic'>/srv/shelf/slic</table></acpi></os>
		<resource><partition>/machine</partition></resource><cputune><shares>5</shares></cputune><devices><emulator>/usr/bin/qemu</emulator></devices></domain>`)
	require.NoError(t, err)
	assert.Equal(t, []facts.Disk{{Target: "nvram", Kind: "nvram", Source: "/srv/shelf/vars.fd", Device: "nvram"}}, d.Disks)
	var names []string
	for _, r := range d.Reaches {
		assert.Equal(t, facts.ReachPath, r.Kind, r.Name)
		assert.Equal(t, r.Name != "/var/lib/libvirt/qemu/ram", r.ReadOnly, r.Name)
		names = append(names, r.Name)
	}
	assert.Equal(t, strings.Fields(`/usr/bin/fetch /var/lib/libvirt/qemu/ram /srv/shelf/fw /usr/share/fw.fd /usr/share/vars.fd /srv/shelf/vmlinuz
		/srv/shelf/initrd /srv/shelf/dtb /srv/shelf/slic /usr/bin/qemu`), names)
	assert.Equal(t, "os/acpi/table", d.Reaches[8].At)
}

func TestReadSearchesWhatIsPassedToQEMU(t *testing.T) {
	tests := []struct{ arg, kind, name string }{
		{"file=/dev/nvme0n1,format=raw,if=virtio", "path", "/dev/nvme0n1"},
		{"file=/srv/a b,,c,format=raw", "path", "/srv/a b,c"},
		{"driver=host_device,filename=/dev/disk/by-id/x,node-name=a", "path", "/dev/disk/by-id/x"},
		{`{"driver":"nvme","device":"0000:01:00.0","namespace":1}`, "pci", "0000:01:00.0"},
		{`{"driver":"vfio-pci","host":"0000:01:00\u002e0"}`, "pci", "0000:01:00.0"},
		{`json:{"file":"{\"device\":\"0000:01\u003a00.0\"}"}`, "pci", "0000:01:00.0"},
		{`{"file":{"filename":"/srv/a \"b\""}}`, "path", `/srv/a "b"`},
		{"vfio-pci,host=01:00.0", "pci", "0000:01:00.0"},
		{"vfio-pci,host=0001:0a:1f.7,rombar=0", "pci", "0001:0a:1f.7"},
		{"vfio-pci,sysfsdev=/sys/bus/pci/devices/0000:01:00.0", "pci", "0000:01:00.0"},
		{"vfio-pci,sysfsdev=/sys/bus/mdev/devices/c2177883-f1bb-47f0-914d-32a22e3a8804", "mdev", "c2177883-f1bb-47f0-914d-32a22e3a8804"},
		{"nvme://0000:01:00.0/1", "pci", "0000:01:00.0"},
		{"memory-backend-file,id=m,mem-path=/srv/shelf/m,size=1G", "path", "/srv/shelf/m"},
		{"nbd+unix:///x?socket=%2Frun%2Fshelf", "path", "/run/shelf"},
		{"-chardev", "", ""},
	}
	for _, test := range tests {
		arg := strings.NewReplacer("&", "&amp;", "<", "&lt;", "'", "&apos;").Replace(test.arg)
		for _, xml := range []string{
			fmt.Sprintf("<domain %s><q:commandline><q:arg value='%s'/></q:commandline></domain>", qemuNamespace, arg),
			fmt.Sprintf("<domain %s><q:commandline><q:env name='A' value='%s'/></q:commandline></domain>", qemuNamespace, arg),
			fmt.Sprintf("<domain xmlns:q='urn:other'><q:thing><q:arg>%s</q:arg></q:thing></domain>", arg),
			fmt.Sprintf("<domain %s><q:override><q:device alias='a'><q:frontend><q:property name='host' type='string' value='%s'/></q:frontend></q:device></q:override></domain>", qemuNamespace, arg),
		} {
			d, err := Read(xml)
			require.NoError(t, err)
			if test.kind != "" {
				assert.Contains(t, without(d.Reaches), facts.Reach{Kind: facts.ReachKind(test.kind), Name: test.name}, xml)
			}
			assert.Contains(t, fmt.Sprint(d.Reaches), "unclear", xml)
		}
	}
	d, err := Read("<domain " + qemuNamespace + "><q:capabilities><q:add capability='blockdev'/></q:capabilities><q:deprecation behavior='omit'/></domain>")
	require.NoError(t, err)
	assert.Empty(t, d.Reaches)
}

func TestReadTellsFoldersOfLibvirts(t *testing.T) {
	d, err := Read("<domain type='kvm'/>")
	require.NoError(t, err)
	assert.Equal(t, []facts.Reach{
		{At: "@type", Kind: facts.ReachPath, Name: "/var/lib/libvirt/qemu"},
		{At: "@type", Kind: facts.ReachPath, Name: "/var/log/libvirt/qemu"},
	}, d.Reaches)
	d, err = Read("<domain type='test'/>")
	require.NoError(t, err)
	assert.Empty(t, d.Reaches)
}

func TestReadTellsImagesBelowImages(t *testing.T) {
	const drive = "<source type='pci' managed='yes' namespace='1'><address domain='0x0000' bus='0x01' slot='0x00' function='0x0'/></source>"
	d, err := Read("<domain><devices><disk type='file'><source file='/a'><dataStore type='block'><format type='raw'/><source dev='/dev/store'/></dataStore></source><target dev='vda'/>" +
		"<backingStore type='file'><source file='/b'/><backingStore type='nvme'>" + drive + "</backingStore></backingStore>" +
		"<mirror type='file' file='/m'><format type='raw'/><backingStore type='block'><source dev='/dev/below'/><backingStore/></backingStore></mirror></disk>" +
		"<disk type='block'><source dev='/c'/><mirror type='nvme'>" + drive + "</mirror></disk><filesystem><source dir='/srv/shelf/scans'/></filesystem></devices></domain>")
	require.NoError(t, err)
	names := map[string]string{}
	for _, disk := range d.Disks {
		if disk.Source != "" {
			names[disk.Source] = disk.Device
		}
	}
	assert.Equal(t, map[string]string{"/a": "disk", "/dev/store": "backing", "/b": "backing", "/m": "mirror", "/dev/below": "backing", "/c": "disk", "/srv/shelf/scans": "filesystem"}, names)
	at := address(t, "0000:01:00.0")
	assert.Equal(t, []facts.Hostdev{{Address: at, Managed: true}, {Address: at, Managed: true}}, d.Hostdevs)
	assert.Empty(t, d.Reaches)
}

func TestReadTellsOfMoreThanItLists(t *testing.T) {
	d, err := Read("<domain><devices>" + strings.Repeat("<serial><source path='/x'/></serial>", 5) + "</devices></domain>")
	require.NoError(t, err)
	assert.Len(t, d.Reaches, 1)
	many := strings.Builder{}
	for n := range maxReaches + 50 {
		fmt.Fprintf(&many, "<serial><source path='/x%d'/></serial>", n)
	}
	d, err = Read("<domain><devices>" + many.String() + "</devices></domain>")
	require.NoError(t, err)
	assert.Len(t, d.Reaches, maxReaches+1)
	assert.Equal(t, facts.ReachUnclear, d.Reaches[maxReaches].Kind)
	d, err = Read("<domain><devices><serial><source path='/" + strings.Repeat("x", maxName) + "'/></serial></devices></domain>")
	require.NoError(t, err)
	assert.Equal(t, facts.ReachUnclear, d.Reaches[0].Kind)
}
