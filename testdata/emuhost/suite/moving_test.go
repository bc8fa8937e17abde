package suite

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/emuhost"
)

// moving has the system of grading move from its image to the spare drive, and
// the host keep the rest of it.
const moving = `
host "larch" {
}

controller "spare" {
  nvme {
    serial = "` + machine.Spare + `"
  }
  drive {
    copy_of = image("` + installed + `", "qcow2")
    ERASE
    partition "attic" {
      size   = rest()
      format = "xfs"
    }
  }
  return {
    mount "attic" {
      at = "/srv/attic"
    }
  }
}

guest "grading" {
  system  = "linux"
  borrows = [controller.spare]
  boots   = controller.spare
  stop { within = "100s" }
}

shift "day" { guests = [guest.grading] }
shift "night" { guests = [] }
`

const installed = "/var/lib/images/grading.qcow2"

// install makes an image with an installed system: a loader on an ESP that says
// a marker and switches off, and a filesystem with a file. It is compressed, as
// an image that was put away would be.
func (h host) install() {
	h.Helper()
	h.Cleanup(func() { h.run("rm", "-rf", installed, "/tmp/disk.raw", "/mnt/start", "/var/lib/moved.sum") })
	h.shell(`mkdir -p /var/lib/images /mnt/start && rm -f /tmp/disk.raw && truncate -s 200M /tmp/disk.raw
		sgdisk -n1:0:+64M -t1:EF00 -c1:start -n2:0:0 -c2:system /tmp/disk.raw >/dev/null
		loop=$(losetup -f --show -P /tmp/disk.raw) && udevadm settle
		mkfs.vfat -F16 -n START ${loop}p1 >/dev/null && mount ${loop}p1 /mnt/start
		mkdir -p /mnt/start/EFI/BOOT /mnt/start/EFI/debian
		cp /usr/lib/grub/x86_64-efi/monolithic/grubx64.efi /mnt/start/EFI/BOOT/BOOTX64.EFI
		printf 'echo marker-of-the-moved\nhalt\n' > /mnt/start/EFI/debian/grub.cfg && umount /mnt/start
		mkfs.ext4 -q -L system ${loop}p2 && mount ${loop}p2 /mnt/start
		head -c 4000000 /dev/urandom > /mnt/start/blob && (cd /mnt/start && sha256sum blob) > /var/lib/moved.sum
		umount /mnt/start && losetup -d $loop
		qemu-img convert -c -O qcow2 /tmp/disk.raw ` + installed)
}

// moves has what a test moves to the spare drive cleared away in the end.
func (h host) moves() {
	h.Helper()
	h.Cleanup(func() {
		h.unguarded()
		h.shell("while umount -q /srv/attic; do :; done")
		h.blank(machine.Spare)
		h.run("rm", "-rf", "/srv/attic")
	})
}

// The whole job of moving: a drive that holds something is refused without its
// serial; with it the system is copied, starts from the lent drive, the host has
// the rest when the guest is off, and a rollback gives the drive its old content
// back.
func TestMovedSystemStarts(t *testing.T) {
	h := withProgram(t)
	address, device := h.controllers()[machine.Spare], h.namespace(machine.Spare)
	h.moves()
	h.shell("mkfs.xfs -q -L oldreels " + device + " && udevadm settle")
	h.install()
	g := emuhost.Guest{Name: "grading", Firmware: true}
	h.defineWith(g, "<disk type='file' device='disk'><driver name='qemu' type='qcow2'/><source file='"+installed+"'/><target dev='sda' bus='sata'/></disk>")

	h.layout(strings.Replace(moving, "ERASE", "", 1))
	refused := h.lendkeep("plan", "workshop", "--shift", "day")
	assert.Equal(t, 1, refused.Exit)
	assert.Contains(t, refused.Stdout, `holds xfs "oldreels"`)

	h.layout(strings.Replace(moving, "ERASE", `erase = "`+machine.Spare+`"`, 1))
	code := h.plan("--shift", "day")
	unsaid := h.lendkeep("apply", "/tmp/an.order", "--approve", code, "--confirmed", "grading")
	assert.Equal(t, 6, unsaid.Exit, unsaid.Stderr)
	assert.Contains(t, h.run("blkid", "-p", device), "oldreels", "nothing was touched")

	h.mustLendkeep("apply", "/tmp/an.order", "--approve", code, "--confirmed", "grading", "--erase", machine.Spare)
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.NotContains(t, h.run("virsh", "dumpxml", "--inactive", "grading"), installed, "two disks of one identity")
	said := h.says(g, "marker-of-the-moved")
	assert.Regexp(t, `BdsDxe: starting Boot000\d "UEFI QEMU NVMe Ctrl `+machine.Spare+` 1"`, said)
	h.until(time.Minute, "the guest has ended by itself", func() bool {
		return strings.Contains(h.run("virsh", "domstate", "grading"), "shut off")
	})

	if out := h.mustLendkeep("plan", "workshop", "--shift", "night"); !strings.Contains(out, "there is nothing to do") {
		h.apply("--shift", "night")
	}
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
	device = h.returned(machine.Spare)
	assert.Equal(t, device+"p3 xfs", strings.TrimSpace(h.run("findmnt", "-no", "SOURCE,FSTYPE", "/srv/attic")))
	assert.Contains(t, h.run("sgdisk", "-v", device), "No problems found")
	h.run("umount", "/srv/attic")
	h.shell(`xfs_repair -n ` + device + `p3 2>/dev/null && e2fsck -fn ` + device + `p2 && fsck.vfat -n ` + device + `p1
		mount -o ro ` + device + `p2 /mnt/start && (cd /mnt/start && sha256sum -c /var/lib/moved.sum); umount /mnt/start`)

	// The system alone, without the table, which was written since.
	h.shell(`qemu-img convert -O raw ` + installed + ` /tmp/again.raw && cmp -n $((180<<20)) -i 1048576 /tmp/again.raw ` + device)
	h.run("rm", "/tmp/again.raw")
}

// Moving is cut off in the middle of the copy, goes on from there, and is undone:
// the drive has its old content's ends back, the guest its image.
func TestMoveRolledBack(t *testing.T) {
	h := withProgram(t)
	device := h.namespace(machine.Spare)
	h.moves()
	h.shell("mkfs.xfs -q -L oldreels " + device + " && udevadm settle")
	h.install()
	h.defineWith(emuhost.Guest{Name: "grading", Firmware: true}, "<disk type='file' device='disk'><driver name='qemu' type='qcow2'/><source file='"+installed+"'/><target dev='sda' bus='sata'/></disk>")
	before := h.run("virsh", "dumpxml", "--inactive", "grading")
	ends := func() string {
		return h.shell("head -c 1048576 " + device + " | sha256sum; tail -c 1048576 " + device + " | sha256sum")
	}
	was := ends()

	h.layout(strings.Replace(moving, "ERASE", `erase = "`+machine.Spare+`"`, 1))
	code := h.plan("--shift", "night")
	h.shell(`cd /root; lendkeep apply /tmp/an.order --approve ` + code + ` --confirmed grading --erase ` + machine.Spare + ` >/tmp/apply.log 2>&1 & pid=$!
		while kill -0 $pid 2>/dev/null; do
			if dd if=` + device + ` bs=4096 count=1 iflag=direct status=none | grep -qa "unfinished copy"; then kill -KILL $pid; break; fi
		done; wait $pid || true`)
	assert.Contains(t, h.run("dd", "if="+device, "bs=64", "count=1", "iflag=fullblock", "status=none"), "lendkeep: unfinished copy")
	assert.Equal(t, 9, h.lendkeep("apply", "/tmp/an.order", "--approve", code, "--confirmed", "grading", "--erase", machine.Spare).Exit, "an order has not ended")
	assert.Contains(t, h.mustLendkeep("resume", "--confirmed", "grading"), "is carried out")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
	assert.NotEmpty(t, h.try("findmnt", "/srv/attic").Stdout)
	assert.Equal(t, 6, h.lendkeep("rollback").Exit)
	h.mustLendkeep("rollback", "--erase", machine.Spare)
	require.Empty(t, h.try("findmnt", "/srv/attic").Stdout)
	h.run("udevadm", "settle")
	assert.Equal(t, was, ends())
	assert.Contains(t, h.run("blkid", "-p", device), "oldreels")
	assert.Equal(t, before, h.run("virsh", "dumpxml", "--inactive", "grading"))
}
