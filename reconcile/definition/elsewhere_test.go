package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// there is a machine that has everything of bus 1 on bus 2, and block devices in
// /dev/disk/by-partuuid alone.
var there = Elsewhere{
	CPUs: 2, MemoryBytes: 256 << 20,
	At: func(a facts.Address) (facts.Address, bool) {
		was := a.Bus
		a.Bus++
		return a, was == 1
	},
	Device: func(path string) (string, bool) {
		name, found := strings.CutPrefix(path, "/dev/part-")
		return "/dev/disk/by-partuuid/" + name, found
	},
}

// guestOf gives a definition with parts and devices of its own.
func guestOf(parts, devices string) string {
	return "<domain type='kvm'>\n  <name>g</name>\n  <memory unit='KiB'>131072</memory>\n  <vcpu>1</vcpu>\n  " + parts + "\n  <devices>\n    " + devices + "\n  </devices>\n</domain>\n"
}

func TestTransplant(t *testing.T) {
	lent := "<hostdev mode='subsystem' type='pci' managed='yes'><source><address domain='0x0000' bus='0x%' slot='0x00' function='0x0'/></source></hostdev>"
	disk := func(kind, source string) string {
		return "<disk type='" + kind + "' device='disk'>" + source + "<target dev='vda' bus='virtio'/></disk>"
	}
	for name, c := range map[string]struct {
		parts, devices string
		has, lacks     []string
		says           string
	}{
		"its type":              {"", "", []string{"<domain type='qemu'>"}, nil, "type qemu instead of kvm"},
		"a newer machine":       {"<os><type machine='pc-q35-9.1'>hvm</type></os>", "", []string{"machine='q35'"}, nil, "machine q35 instead of pc-q35-9.1"},
		"another's machine":     {"<os><type machine='pc-i440fx-x9.2'>hvm</type></os>", "", []string{"machine='pc'"}, nil, "machine pc"},
		"a known machine":       {"<os><type machine='pc-q35-7.2'>hvm</type></os>", "", []string{"machine='pc-q35-7.2'"}, nil, ""},
		"processors":            {"<cpu mode='host-passthrough'/><cputune><vcpupin vcpu='0' cpuset='3'/></cputune>", "", nil, []string{"cputune", "passthrough"}, "processors: without <cpu mode="},
		"huge pages":            {"<memoryBacking><hugepages/></memoryBacking><numatune><memory mode='strict' nodeset='1'/></numatune>", "", nil, []string{"hugepages", "numatune"}, "memory: without"},
		"what only KVM has":     {"<features><acpi/><hyperv><relaxed state='on'/></hyperv></features><clock offset='utc'><timer name='kvmclock' present='yes'/><timer name='rtc'/></clock>", "", []string{"<acpi/>", "'rtc'"}, []string{"hyperv", "kvmclock"}, "without <hyperv>"},
		"a part nobody knew":    {"<launchSecurity type='sev'/><qemu:commandline xmlns:qemu='http://libvirt.org/schemas/domain/qemu/1.0'/>", "", nil, []string{"launchSecurity", "commandline"}, "guest: without"},
		"other firmware":        {"<os><loader readonly='yes' secure='yes' type='pflash'>/opt/x.fd</loader><nvram template='/opt/v.fd'>/n/g.fd</nvram></os>", "", []string{firmwareThere, "template='" + storeThere + "'", "/n/g.fd"}, []string{"secure", "/opt"}, "firmware " + firmwareThere + " instead of /opt/x.fd"},
		"a kernel of its own":   {"<os><kernel>/boot/k</kernel></os>", "", nil, []string{"/boot/k"}, "start: without"},
		"a lent function":       {"", strings.Replace(lent, "%", "01", 1), []string{"bus='0x02'"}, nil, "lent function 0000:02:00.0 instead of 0000:01:00.0"},
		"one that is not there": {"", strings.Replace(lent, "%", "07", 1), nil, []string{"hostdev"}, "devices: without <hostdev"},
		"a function's ROM":      {"", strings.Replace(strings.Replace(lent, "%", "01", 1), "</source>", "</source><rom file='/r'/>", 1), nil, []string{"rom"}, "without <rom"},
		"a USB device":          {"", "<hostdev mode='subsystem' type='usb'><source><vendor id='0x1'/></source></hostdev>", nil, []string{"hostdev"}, "devices: without <hostdev"},
		"an image":              {"", disk("file", "<source file='/i'/>"), []string{"/i"}, nil, ""},
		"a sealed image":        {"", disk("file", "<source file='/i'><encryption format='luks'/></source>"), nil, []string{"<disk"}, "devices: without <disk"},
		"a volume":              {"", disk("volume", "<source pool='p' volume='v'/>"), nil, []string{"<disk"}, "devices: without <disk"},
		"a partition":           {"", disk("block", "<source dev='/dev/part-7'/>"), []string{"/dev/disk/by-partuuid/7"}, nil, "instead of /dev/part-7"},
		"a device elsewhere":    {"", disk("block", "<source dev='/dev/sdz'/>"), nil, []string{"<disk"}, "devices: without <disk"},
		"a lent network card":   {"", "<interface type='hostdev' managed='yes'><source><address type='pci' domain='0x0000' bus='0x01' slot='0x00' function='0x0'/></source></interface>", []string{"bus='0x02'"}, nil, "lent function"},
		"a network card":        {"", "<interface type='network'><source network='default'/></interface>", nil, []string{"interface"}, "devices: without <interface"},
		"another display":       {"", "<graphics type='spice'/><graphics type='vnc'/><video><model type='qxl' ram='1'><acceleration accel3d='yes'/></model></video>", []string{"type='vga'", "vnc"}, []string{"qxl", "spice", "accel", "ram"}, "video vga instead of"},
		"what nobody knew":      {"", "<lease/><future/>", nil, []string{"lease", "future"}, "devices: without <future"},
	} {
		t.Run(name, func(t *testing.T) {
			before := guestOf(c.parts, c.devices)
			after, changes, err := Transplant(before, there)
			require.NoError(t, err)
			for _, has := range c.has {
				assert.Contains(t, after, has)
			}
			for _, lacks := range c.lacks {
				assert.NotContains(t, after, lacks)
			}
			said := strings.Join(changes, "\n")
			assert.Contains(t, said, c.says)
			if c.says == "" {
				assert.Equal(t, "type qemu instead of kvm", said)
			}
		})
	}
	_, _, err := Transplant("<domain><name>g</name></domain>", there)
	assert.ErrorContains(t, err, "no <devices>")
}

func TestTransplantBounds(t *testing.T) {
	large := strings.NewReplacer("131072", "16777216", "<vcpu>1<", "<vcpu placement='auto' current='4'>8<").Replace(guestOf("<currentMemory unit='GiB'>8</currentMemory>", ""))
	after, changes, err := Transplant(large, there)
	require.NoError(t, err)
	d, err := Read(after)
	require.NoError(t, err)
	assert.Equal(t, uint64(256<<20), d.MemoryBytes)
	assert.Equal(t, 2, d.CPUs)
	assert.Contains(t, changes, "<memory> 256 MiB instead of 16 GiB")
	assert.Contains(t, changes, "<currentMemory> 256 MiB instead of 8 GiB")
	assert.NotContains(t, after, "placement")
}

// What was moved once is at home there: nothing is left to change, and all that
// stays is as it was.
func TestTransplantOnceIsEnough(t *testing.T) {
	home := there
	home.At = func(a facts.Address) (facts.Address, bool) { return a, true }
	home.Device = func(path string) (string, bool) { return path, true }
	for name, xml := range texts(t) {
		after, changes, err := Transplant(xml, home)
		require.NoError(t, err, name)
		require.NotEmpty(t, changes, name)
		again, more, err := Transplant(after, home)
		require.NoError(t, err, name)
		assert.Empty(t, more, name)
		assert.Equal(t, after, again, name)
		_, err = Read(after)
		require.NoError(t, err, name)
	}
}
