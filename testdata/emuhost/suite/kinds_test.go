package suite

import (
	"path"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// The kinds of controller that machine.Assorted has, by vendor and device (QEMU
// docs/specs/pci-ids.rst; include/hw/pci/pci_ids.h).
const (
	display = `controller "it" {
  pci { functions = ["1234:1111", "8086:293e"] }
}
`
	withStick = "1b36:000d"
	withCable = "8086:10d3"
	withDisks = "8086:2922"
)

// night adds a shift in which everything is with the host.
func night(layout string) string {
	return strings.Replace(layout, "shift", "shift \"night\" { guests = [] }\nshift", 1)
}

// ofKind gives the address of the only function of a kind that sits in a slot, and the
// slot's name.
func (h host) ofKind(id string) (address, slot string) {
	h.Helper()
	for line := range strings.Lines(h.run("lspci", "-D", "-n", "-d", id)) {
		address = strings.Fields(line)[0]
		if !strings.HasPrefix(address, "0000:00:") { // the chipset has one of its own
			return address, h.pluggedIn(address)
		}
	}
	require.Fail(h, "no function "+id)
	return "", ""
}

// alone states the function of a kind as the controller that is lent.
func (h host) alone(id string) (address, layout string) {
	h.Helper()
	address, slot := h.ofKind(id)
	return address, night(one(inSlot(id[:4], id[5:], slot)))
}

// refuses has day not be planned, for these words; the driver stays.
func (h host) refuses(address string, words ...string) {
	h.Helper()
	before := h.driver(address)
	refused := h.lendkeep("plan", "workshop", "--shift", "day")
	require.Equal(h, 1, refused.Exit, refused.Stdout+refused.Stderr)
	for _, word := range words {
		assert.Contains(h, refused.Stdout, word)
	}
	require.Equal(h, before, h.driver(address))
}

// byDayAndBack lends by day, sees that another plan has nothing to do, and takes back
// by night; what the driver was it is again.
func (h host) byDayAndBack(address string) {
	h.Helper()
	before := h.driver(address)
	h.apply("--shift", "day")
	require.Equal(h, "vfio-pci", h.driver(address))
	assert.Contains(h, h.lendkeep("status", "workshop").Stdout, "lent to grading")
	assert.Contains(h, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")
	h.apply("--shift", "night")
	require.Equal(h, before, h.driver(address))
	assert.Contains(h, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
}

// Controllers of every kind are refused while something uses them, lent, and back with
// all that they had; a guest sits near one in huge pages of its node.
func TestOtherKinds(t *testing.T) {
	h := withProgram(t)
	t.Cleanup(func() {
		h.run("sync")
		require.NoError(t, h.emulated.PowerCut())
		require.NoError(t, h.emulated.PowerOn(h.Context(), machine.Larch()))
	})
	require.NoError(t, h.emulated.PowerCut())
	require.NoError(t, h.emulated.PowerOn(t.Context(), machine.Assorted()))
	h.sleeping("grading")
	h.awaitsGuard()

	for _, kind := range []struct {
		name string
		run  func(host)
	}{
		{"a display with its sound", host.lendsDisplay},
		{"a USB controller", host.lendsStick},
		{"a network card", host.lendsCable},
		{"a SATA controller with a mirror", host.lendsMirror},
		{"a guest near its drive", host.sitsNear},
		{"virtual functions", host.lendsVirtual},
	} {
		t.Run(kind.name, func(t *testing.T) {
			h := host{t, h.emulated}
			t.Cleanup(h.forget)
			kind.run(h)
		})
	}
}

// awaitsGuard has libvirt call hooks that are put there later: it does once it found one
// when it began.
func (h host) awaitsGuard() {
	h.Helper()
	h.shell("mkdir -p " + path.Dir(facts.GuardHook) + " && ln -s /bin/true " + facts.GuardHook)
	h.restartLibvirt()
	h.run("rm", facts.GuardHook)
}

func (h host) lendsDisplay() {
	address, _ := h.ofKind("1234:1111")
	sound := strings.TrimSuffix(address, "0") + "1"
	h.layout(night(one(pci("it", "1234", "1111"))))
	alone := h.lendkeep("plan", "workshop", "--shift", "day")
	assert.Contains(h, alone.Stdout, "lone-function")
	h.layout(night(one(display)))
	h.apply("--shift", "day")
	assert.Equal(h, "vfio-pci", h.driver(address))
	assert.Equal(h, "vfio-pci", h.driver(sound))
	live := h.run("virsh", "dumpxml", "grading")
	assert.Equal(h, 2, strings.Count(live, "<hostdev"), live)
	assert.Equal(h, 1, strings.Count(live, "function='0x0' multifunction='on'/>"), live)
	h.apply("--shift", "night")
	assert.NotEqual(h, "vfio-pci", h.driver(address))
	assert.NotEqual(h, "vfio-pci", h.driver(sound))
	assert.Contains(h, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
}

// A mounted stick, then the keyboard: each is told. Once the controller is home the
// keyboard has its driver again, which keeps the night from nothing.
func (h host) lendsStick() {
	address, layout := h.alone(withStick)
	h.layout(layout)
	h.until(20*time.Second, "the stick and the keyboard are there", func() bool {
		return h.namespace(machine.Stick) != "" && len(strings.Fields(h.try("ls", "/sys/bus/usb/drivers/usbhid").Stdout)) > 0
	})
	stick := h.namespace(machine.Stick)
	h.shell("mkfs.vfat " + stick + " >/dev/null && udevadm settle && mkdir -p /mnt/use && mount " + stick + " /mnt/use")
	h.refuses(address, "mount /mnt/use", "keyboard", "usbhid")
	h.shell("umount /mnt/use && rmdir /mnt/use && wipefs -qa " + stick + " && udevadm settle")
	h.refuses(address, "keyboard")
	h.unbindInputs()
	h.byDayAndBack(address)
	h.until(20*time.Second, "the keyboard has its driver again", func() bool {
		return h.try("bash", "-c", "ls -d /sys/bus/usb/drivers/usbhid/*:*").Exit == 0
	})
	assert.NotEmpty(h, h.returned(machine.Stick))
	told := h.lendkeep("check", "workshop", "--shift", "night")
	assert.Zero(h, told.Exit, told.Stdout)
	h.refuses(address, "keyboard")
	started := h.try("virsh", "start", "grading")
	assert.NotZero(h, started.Exit, "the guard refuses what an order would refuse")
	assert.Contains(h, started.Stderr, "keyboard")
}

// unbindInputs takes keyboard and tablet from their driver.
func (h host) unbindInputs() {
	h.Helper()
	h.shell("cd /sys/bus/usb/drivers/usbhid && for i in *:*; do echo $i > unbind; done")
}

// The card carries an address: refused. It comes back without: that is told.
func (h host) lendsCable() {
	address, layout := h.alone(withCable)
	h.layout(layout)
	name := strings.TrimSpace(h.run("ls", "/sys/bus/pci/devices/"+address+"/net"))
	h.shell("busybox ip addr add 192.0.2.7/24 dev " + name + " && busybox ip link set " + name + " up")
	h.refuses(address, "network interface "+name, "192.0.2.7")
	h.shell("busybox ip addr flush dev " + name + " && busybox ip link set " + name + " down")
	h.byDayAndBack(address)
	assert.Equal(h, name, strings.TrimSpace(h.run("ls", "/sys/bus/pci/devices/"+address+"/net")))
	assert.Contains(h, h.lendkeep("status", "workshop").Stdout, "home")
}

// Two disks in a mirror that is mounted: refused with the way from controller to user.
func (h host) lendsMirror() {
	address, layout := h.alone(withDisks)
	h.layout(layout)
	first, second := h.namespace(machine.MirrorA), h.namespace(machine.MirrorB)
	require.NotEmpty(h, first)
	require.NotEmpty(h, second)
	h.shell("mdadm --create /dev/md/mirror --quiet --run --level=1 --raid-devices=2 --metadata=1.2 " + first + " " + second +
		" && udevadm settle && mkfs.ext4 -q /dev/md/mirror && mkdir -p /mnt/use && mount /dev/md/mirror /mnt/use")
	h.refuses(address, " > md", "mount /mnt/use")
	h.shell("umount /mnt/use && rmdir /mnt/use")
	h.refuses(address, "> sda > holder md", "> sdb > holder md")
	h.shell("mdadm --stop --quiet /dev/md/mirror && mdadm --zero-superblock " + first + " " + second + " && wipefs -qa " + first + " " + second + " && udevadm settle")
	h.byDayAndBack(address)
	h.blankDisk(machine.MirrorA)
	h.blankDisk(machine.MirrorB)
}

// blankDisk has a SATA disk that is back hold nothing again.
func (h host) blankDisk(serial string) {
	h.Helper()
	h.shell("blkdiscard -f -z " + h.returned(serial) + " && udevadm settle")
}

// A guest near a drive of the second node: the kernel and libvirt say the same of its
// CPUs, its memory and the pages that are reserved; an order gives them back.
func (h host) sitsNear() {
	const near = `host "larch" {}
controller "it" {
  nvme {
    serial = "` + machine.Far + `"
  }
}
guest "grading" {
  borrows = [controller.it]
  cpu {
    count = 1
    near  = controller.it
  }
  memory {
    size       = mib(128)
    huge_pages = PAGES
  }
}
shift "night" { guests = [] }
shift "day" { guests = [guest.grading] }
`
	const pages = "/sys/devices/system/node/node1/hugepages/hugepages-2048kB/nr_hugepages"
	address := h.controllers()[machine.Far]
	require.Equal(h, "1", strings.TrimSpace(h.run("cat", "/sys/bus/pci/devices/"+address+"/numa_node")))
	before := strings.TrimSpace(h.run("cat", pages))
	h.layout(strings.Replace(near, "PAGES", "mib(2)", 1))
	h.byDay(address)
	assert.Equal(h, "64", strings.TrimSpace(h.run("cat", pages)))
	assert.Equal(h, "0", strings.TrimSpace(h.run("cat", strings.Replace(pages, "/nr_", "/free_", 1))))
	pid := strings.TrimSpace(h.run("cat", "/run/libvirt/qemu/grading.pid"))
	assert.NotEmpty(h, h.run("grep", "-c", "huge", "/proc/"+pid+"/numa_maps"))
	allowed := strings.TrimSpace(h.shell("cat /sys/bus/pci/devices/" + address + "/local_cpulist"))
	assert.Equal(h, "2-3", allowed)
	pinned := h.run("virsh", "vcpupin", "grading")
	assert.Regexp(h, `(?m)^ *0 +[23]$`, pinned)
	assert.Regexp(h, `(?m)^ *\*: +[23]$`, h.run("virsh", "emulatorpin", "grading"))
	assert.Contains(h, h.run("virsh", "numatune", "grading"), ": 1")
	h.apply("--shift", "night")
	assert.Equal(h, "nvme", h.driver(address))
	h.layout(strings.Replace(near, "PAGES", "false", 1))
	h.apply("--shift", "night")
	assert.Equal(h, before, strings.TrimSpace(h.run("cat", pages)))
	h.returned(machine.Far)
}

// byDay lends by day.
func (h host) byDay(address string) {
	h.Helper()
	h.apply("--shift", "day")
	require.Equal(h, "vfio-pci", h.driver(address))
	assert.Contains(h, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")
}

// The first order has the parent make its functions, the second lends one; the parent
// stays, and is lent by nobody. Rolled back, there are none.
func (h host) lendsVirtual() {
	parent := h.controllers()[machine.Parent]
	h.layout(`host "larch" {}
controller "parent" {
  virtual_functions = 2
  nvme {
    serial = "` + machine.Parent + `"
  }
}
controller "it" {
  virtual {
    of     = controller.parent
    number = 0
  }
}
guest "grading" {
  borrows = [controller.it]
}
shift "night" { guests = [] }
shift "day" { guests = [guest.grading] }
`)
	h.apply("--shift", "day")
	assert.Equal(h, "2", strings.TrimSpace(h.run("cat", "/sys/bus/pci/devices/"+parent+"/sriov_numvfs")))
	first := strings.TrimSpace(h.shell("basename $(readlink -f /sys/bus/pci/devices/" + parent + "/virtfn0)"))
	h.byDay(first)
	assert.Equal(h, "nvme", h.driver(parent))
	assert.NotEmpty(h, h.namespace(machine.Parent))
	h.apply("--shift", "night")
	assert.NotEqual(h, "vfio-pci", h.driver(first))
	assert.Contains(h, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
	h.layout(night(one(nvme(machine.Parent))))
	h.refuses(parent, "has virtual functions", first)
	h.shell("echo 0 > /sys/bus/pci/devices/" + parent + "/sriov_numvfs")
}
