package suite

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"lendkeep/testdata/emuhost"
	"lendkeep/testdata/emuhost/machine"
)

// These tests lend with plain libvirt: they show what the ground is like on
// which lendkeep builds.

func TestLendAndReturn(t *testing.T) {
	h := onLarch(t)
	address := h.controllers()[machine.Spare]
	device := h.namespace(machine.Spare)
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

// The demonstration that lendkeep exists for. Nothing refuses a start under a
// mounted filesystem, writes go on to succeed, and what was written is gone.
func TestStartUnderMountedFilesystemLosesData(t *testing.T) {
	h := onLarch(t)
	address, device := h.controllers()[machine.Spare], h.namespace(machine.Spare)
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

// A guest's firmware starts what is on the lent drive. The name in OVMF's line
// holds the serial, so it proves which controller it came from; the marker
// proves that the loader ran.
func TestGuestBootsFromLentDrive(t *testing.T) {
	h := onLarch(t)
	address, device := h.controllers()[machine.Reel], h.namespace(machine.Reel)
	h.shell("sgdisk -Z " + device + " >/dev/null; sgdisk -n1:0:+128M -t1:EF00 -c1:start " + device + ` >/dev/null && udevadm settle
		mkfs.vfat -F32 -n START ` + device + "p1 >/dev/null && mkdir -p /mnt/start && mount " + device + `p1 /mnt/start
		mkdir -p /mnt/start/EFI/BOOT /mnt/start/EFI/debian
		cp /usr/lib/grub/x86_64-efi/monolithic/grubx64.efi /mnt/start/EFI/BOOT/BOOTX64.EFI
		printf 'echo marker-of-%s\nhalt\n' grading > /mnt/start/EFI/debian/grub.cfg && umount /mnt/start`)

	g := emuhost.Guest{Name: "grading", Borrows: []string{address}, Firmware: true}
	h.define(g)
	h.run("virsh", "start", "grading")
	began := time.Now()
	h.says(g, "BdsDxe: starting")
	t.Logf("firmware done %.1f s after the start", time.Since(began).Seconds())
	said := h.says(g, "marker-of-grading")
	t.Logf("marker %.1f s after the start", time.Since(began).Seconds())
	assert.Regexp(t, `BdsDxe: starting Boot0001 "UEFI QEMU NVMe Ctrl `+machine.Reel+` 1"`, said)

	h.until(time.Minute, "the guest has ended by itself", func() bool {
		return strings.Contains(h.run("virsh", "domstate", "grading"), "shut off")
	})
	h.returned(machine.Reel)
	assert.Equal(t, "nvme", h.driver(address))
	assert.Equal(t, address, h.controllers()[machine.Reel])
}
