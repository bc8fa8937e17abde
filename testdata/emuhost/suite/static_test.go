package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// A guest keeps a volume group and a mirror on its partitions of the reel. udev
// would have the host assemble both at every return; with the guard's rules it
// leaves them alone, and the host's own partition is what it was.
func TestGuestVolumesAreNotAssembled(t *testing.T) {
	h := withProgram(t)
	device := h.namespace(machine.Reel)
	t.Cleanup(func() {
		h.letGo()
		h.blank(machine.Reel)
		h.run("rm", "-rf", "/srv/shelf", "/var/lib/sum")
	})
	h.shell("sgdisk -n1:0:+96M -c1:volumes -n2:0:+96M -c2:mirror -n3:0:0 -c3:shelf " + device + ` >/dev/null && udevadm settle
		pvcreate -qqy ` + device + "p1 && vgcreate -qq vg-guest " + device + `p1 && lvcreate -qqy -L 32M -n lv vg-guest
		mdadm --create /dev/md/guest --quiet --run --level=1 --raid-devices=2 --metadata=1.2 --homehost=any ` + device + `p2 missing
		mkfs.xfs -q -f -L shelf ` + device + "p3 && udevadm settle && mkdir -p /srv/shelf && mount -o noatime " + device + `p3 /srv/shelf
		head -c 100000 /dev/urandom > /srv/shelf/blob && sha256sum /srv/shelf/blob > /var/lib/sum`)
	h.letGo()
	h.shell("mount -o noatime " + h.namespace(machine.Reel) + "p3 /srv/shelf")
	h.layout(plain)
	h.sleeping("grading")
	h.apply()
	h.run("test", "-s", facts.GuardUdev)
	h.restartLibvirt()

	h.run("virsh", "start", "grading")
	h.run("virsh", "destroy", "grading")
	back := h.returned(machine.Reel)
	assert.Empty(t, h.assembled())
	assert.Equal(t, "LVM2_member", h.property(back+"p1", "ID_FS_TYPE"), "what is on it can still be seen")
	assert.Equal(t, "0", h.property(back+"p1", "SYSTEMD_READY"))
	assert.Equal(t, "linux_raid_member", h.property(back+"p2", "ID_FS_TYPE"))
	assert.Empty(t, h.property(back+"p3", "SYSTEMD_READY"), "the shelf is the host's")
	h.whole()
	assert.Contains(t, h.mustLendkeep("plan", "workshop"), "there is nothing to do")

	h.mustLendkeep("rollback")
	h.letGo()
	address := h.controllers()[machine.Reel]
	h.shell("cd /sys/bus/pci/drivers/nvme && echo " + address + " > unbind && echo " + address + " > bind")
	h.returned(machine.Reel)
	list := h.assembled()
	assert.Contains(t, list, "vg--guest-lv", "without the rules udev has it assembled")
	assert.Contains(t, list, "md", "likewise")
}

// assembled names the devices that are made of others.
func (h host) assembled() string {
	h.Helper()
	return strings.TrimSpace(h.shell("cat /sys/block/dm-*/dm/name 2>/dev/null || true; ls /sys/block | grep '^md' || true"))
}

// property gives what udev has noted of a device.
func (h host) property(device, name string) string {
	h.Helper()
	for line := range strings.Lines(h.run("udevadm", "info", "--query=property", "--name", device)) {
		if value, found := strings.CutPrefix(strings.TrimSpace(line), name+"="); found {
			return value
		}
	}
	return ""
}

// letGo has the host forget what it has mounted and assembled. What udev is at
// would assemble it again.
func (h host) letGo() {
	h.Helper()
	h.shell("set +e; udevadm settle; umount -q /srv/shelf; vgchange -qq -an vg-guest; mdadm --stop --scan; rm -rf /run/lvm; true")
	require.Empty(h, h.assembled())
}
