package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/emuhost"
)

// These tests lend with plain libvirt: they show what the ground is like on
// which lendkeep builds.

// lends has what a test writes to a drive and mounts from it cleared away in the
// end, once its guests are gone.
func (h host) lends(serial string) {
	h.Helper()
	h.Cleanup(func() {
		h.blank(serial)
		h.run("rm", "-rf", "/srv/shelf", "/tmp/sum")
	})
}

func TestLendAndReturn(t *testing.T) {
	h := onLarch(t)
	address := h.controllers()[machine.Spare]
	device := h.namespace(machine.Spare)
	h.lends(machine.Spare)
	h.shell("mkfs.xfs -q -f -L shelf " + device + " && mkdir -p /srv/shelf && mount " + device + ` /srv/shelf
		head -c 4000000 /dev/urandom > /srv/shelf/blob && sha256sum /srv/shelf/blob > /tmp/sum && umount /srv/shelf`)

	h.define(emuhost.Guest{Name: "borrower", Borrows: []string{address}})
	h.run("virsh", "start", "borrower")
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.NotContains(t, h.controllers(), machine.Spare)
	assert.Empty(t, h.namespace(machine.Spare), "its disk is gone from the host")

	h.run("virsh", "destroy", "borrower")
	back := h.returned(machine.Spare)
	assert.Equal(t, "nvme", h.driver(address))
	assert.Equal(t, address, h.controllers()[machine.Spare], "the same serial at the same address")
	h.shell("mount " + back + " /srv/shelf && sha256sum -c /tmp/sum && umount /srv/shelf")
}

// A group with a card of the host's in it: libvirt takes the controller away,
// QEMU refuses, libvirt gives it back.
func TestGroupWithForeignDriver(t *testing.T) {
	h := onLarch(t)
	address := h.controllers()[machine.Shared]
	h.define(emuhost.Guest{Name: "crowded", Borrows: []string{address}})
	refused := h.try("virsh", "start", "crowded")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stderr, "is not viable")
	h.returned(machine.Shared)
	assert.Equal(t, "nvme", h.driver(address))
}

const logAfter = "/proc/sys/fs/xfs/xfssyncd_centisecs"

// The demonstration that lendkeep exists for. Nothing refuses a start under a
// mounted filesystem, writes go on to succeed, and what was written is gone.
func TestStartUnderMountedFilesystemLosesData(t *testing.T) {
	h := onLarch(t)
	address, device := h.controllers()[machine.Spare], h.namespace(machine.Spare)
	h.lends(machine.Spare)
	// XFS writes its log after half a minute by itself (admin-guide/xfs.rst,
	// xfssyncd_centisecs) and would find out then.
	h.shell("echo 720000 > " + logAfter)
	t.Cleanup(func() { h.shell("echo 3000 > " + logAfter) })
	h.shell("mkfs.xfs -q -f -L shelf " + device + " && mkdir -p /srv/shelf && mount " + device + ` /srv/shelf
		echo before > /srv/shelf/before && sync -f /srv/shelf`)

	h.define(emuhost.Guest{Name: "careless", Borrows: []string{address}})
	h.run("virsh", "start", "careless") // exit 0: nothing was checked
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.Contains(t, h.run("findmnt", "-n", "/srv/shelf"), device, "still mounted, from a device that is not there")

	written := h.try("bash", "-c", "echo after > /srv/shelf/after")
	assert.Zero(t, written.Exit, "the write succeeds: %s", written.Stderr)
	synced := h.try("sync", "-f", "/srv/shelf")
	assert.NotZero(t, synced.Exit)
	assert.Contains(t, synced.Stderr, "Input/output error", "only sync says the truth")

	h.run("virsh", "destroy", "careless")
	h.run("umount", "/srv/shelf")
	back := h.returned(machine.Spare)
	h.shell("mount " + back + " /srv/shelf")
	kept := strings.Fields(h.run("ls", "/srv/shelf"))
	h.run("umount", "/srv/shelf")
	assert.Equal(t, []string{"before"}, kept, "the file whose writing succeeded is lost")
}
