package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/agent"
	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/emuhost"
)

// blankly is the layout of a move to a drive that holds nothing.
var blankly = strings.Replace(moving, "    ERASE\n", "", 1)

// defineInstalled defines grading, whose firmware starts the system on its image, and
// which has an agent.
func (h host) defineInstalled() emuhost.Guest {
	h.Helper()
	g := emuhost.Guest{Name: "grading", Firmware: true, MemoryMiB: 320}
	h.defineWith(g, "<channel type='unix'><target type='virtio' name='org.qemu.guest_agent.0'/></channel>"+
		"<disk type='file' device='disk'><driver name='qemu' type='qcow2'/><source file='"+installed+"'/><target dev='vda' bus='virtio'/></disk>")
	h.Cleanup(func() {
		if h.Failed() {
			h.Logf("console of grading:\n%s", h.try("tail", "-n", "60", g.Serial()).Stdout)
		}
	})
	return g
}

// root gives the device that the root filesystem of grading is on, by its own agent.
func (h host) root() string {
	h.Helper()
	g, err := agent.Meet(h.Context(), asking{h}, "grading")
	require.NoError(h, err)
	ended, err := g.Run(h.Context(), "findmnt", "-no", "SOURCE", "/")
	require.NoError(h, err)
	return strings.TrimSpace(string(ended.Out))
}

// A Linux that runs from its image says itself that it will start from NVMe, so nobody
// is asked for anything: it is shut down, copied, and comes up from the lent drive as
// the system that it was.
func TestAskedLinuxStartsFromLentDrive(t *testing.T) {
	h := withProgram(t)
	address := h.controllers()[machine.Spare]
	h.moves()
	h.installLinux("virtio_blk", "nvme")
	g := h.defineInstalled()
	h.layout(blankly)
	h.run("virsh", "start", "grading")
	h.says(g, "BdsDxe: starting")
	h.says(g, "root-is")
	h.answers("grading")
	require.Equal(t, "/dev/vda2", h.root())

	h.apply("--shift", "day") // which is refused without --confirmed where a step is by hand
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.NotContains(t, h.run("virsh", "dumpxml", "grading"), installed, "two disks of one identity")
	h.says(g, "BdsDxe: starting")
	h.says(g, "root-is /dev/nvme0n1p2")
	h.answers("grading")
	assert.Equal(t, "/dev/nvme0n1p2", h.root())
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")

	h.apply("--shift", "night")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
	device := h.returned(machine.Spare)
	assert.Equal(t, device+"p3 xfs", strings.TrimSpace(h.run("findmnt", "-no", "SOURCE,FSTYPE", "/srv/attic")))
	h.shell("e2fsck -fn " + device + "p2 && fsck.vfat -n " + device + "p1")
}

// A Linux whose initramfs lacks the driver is refused while it is off and looked into,
// with what to do about it, before anything is touched.
func TestLinuxWithoutDriverIsRefused(t *testing.T) {
	h := withProgram(t)
	h.moves()
	h.installLinux("virtio_blk")
	h.defineInstalled()
	h.layout(blankly)
	release := strings.TrimSpace(h.run("uname", "-r"))
	sum := h.run("sha256sum", installed)
	before := h.condition()

	refused := h.lendkeep("plan", "workshop", "--shift", "day", "-o", "/tmp/an.order")
	assert.Equal(t, 1, refused.Exit, refused.Stderr)
	for _, words := range []string{"stop: guest grading lacks its NVMe driver at start", "/boot/initrd.img-" + release,
		"kernel " + release + " has the NVMe driver neither built in nor in its initramfs", "echo nvme >> /etc/initramfs-tools/modules && update-initramfs -u -k all"} {
		assert.Contains(t, refused.Stdout, words)
	}
	assert.NotZero(t, h.try("stat", "/tmp/an.order").Exit, "an order was written")
	assert.Equal(t, sum, h.run("sha256sum", installed))
	left, gone := h.differences(before)
	assert.Empty(t, lines(append(left, gone...)))
	h.run("cmp", "-n", "67108864", h.namespace(machine.Spare), "/dev/zero")
}
