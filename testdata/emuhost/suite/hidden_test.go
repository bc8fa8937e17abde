package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// stay runs a command in the background until gone is called, and waits for a
// file that it makes once it holds what it shall hold.
const stay = `rm -f /tmp/holding; setsid nohup %s >/tmp/holder.log 2>&1 </dev/null & echo $! >/tmp/holder
	for i in $(seq 100); do [ ! -e /tmp/holding ] || break; sleep 0.1; done; [ -e /tmp/holding ]`

// gone ends what stay began, and waits until it has.
const gone = `kill -KILL $(cat /tmp/holder); for i in $(seq 100); do kill -0 $(cat /tmp/holder) 2>/dev/null || break; sleep 0.1; done; rm -f /tmp/holding /tmp/holder /tmp/holder.log`

func staying(command string) string { return strings.Replace(stay, "%s", command, 1) }

// hiddenUsers are users of a drive that a look at the host's own mounts does not
// show, or not all of them. DRIVE stands for its block device; p1 is free, p2 is
// the shelf, which is declared and mounted.
var hiddenUsers = []struct{ name, begin, end, says string }{
	{"mounted only in a private mount namespace",
		staying(`unshare -m --propagation private sh -c "mount DRIVEp1 /mnt/start && touch /tmp/holding && exec sleep 1000"`), gone,
		"which has it mounted at /mnt/start in another mount namespace"},
	{"the shelf kept by a private mount namespace",
		staying(`unshare -m --propagation private sh -c "touch /tmp/holding && exec sleep 1000"`) + " && umount /srv/shelf", gone,
		"which has it mounted at /srv/shelf in another mount namespace"},
	{"LUKS",
		"modprobe dm-crypt; echo secret | cryptsetup -q luksFormat --pbkdf pbkdf2 --pbkdf-force-iterations 1000 DRIVEp1 - && echo secret | cryptsetup open --key-file - DRIVEp1 hidden && udevadm settle",
		"cryptsetup close hidden", "hidden"},
	{"device mapper",
		"modprobe dm-mod; dmsetup create hidden --table \"0 2048 linear DRIVEp1 0\" && udevadm settle", "dmsetup remove hidden", "hidden"},
	{"swap", "mkswap -f DRIVEp1 >/dev/null && swapon DRIVEp1", "swapoff DRIVEp1", "swap DRIVEp1"},
	{"a loop device over a partition",
		"losetup -f --show DRIVEp1 >/tmp/loop", "losetup -d $(cat /tmp/loop) && rm /tmp/loop", "holder loop"},
	{"an open descriptor",
		staying(`sh -c "exec 5<DRIVEp1; touch /tmp/holding; exec sleep 1000"`), gone, "sleep (pid "},
	{"a bind mount", "mount --bind /srv/shelf /mnt/start", "umount /mnt/start", "mount /mnt/start"},
	{"a loop device over a file on the shelf",
		"truncate -s 8M /srv/shelf/file && losetup -f --show /srv/shelf/file >/tmp/loop", "losetup -d $(cat /tmp/loop) && rm /srv/shelf/file /tmp/loop", "/srv/shelf/file"},
	{"a working directory",
		staying(`sh -c "cd /srv/shelf && touch /tmp/holding && exec sleep 1000"`), gone, "works in /srv/shelf"},
}

func TestHiddenUsers(t *testing.T) { hidden(t, withProgram(t)) }

// hidden holds that each is refused by the guard with its name; the drive was never
// touched.
func hidden(t *testing.T, h host) {
	h.shelved()
	h.layout(plain)
	h.sleeping("grading")
	h.apply()
	h.run("test", "-x", facts.GuardHook)
	h.restartLibvirt()
	address, drive := h.controllers()[machine.Reel], h.namespace(machine.Reel)
	mount := "mountpoint -q /srv/shelf || mount -o noatime " + drive + "p2 /srv/shelf"
	for _, c := range hiddenUsers {
		t.Run(c.name, func(t *testing.T) {
			h := host{t, h.emulated}
			h.shell(mount)
			h.shell(strings.ReplaceAll(c.begin, "DRIVE", drive))
			defer func() {
				h.shell(strings.ReplaceAll(c.end, "DRIVE", drive))
				h.shell("udevadm settle; wipefs -qa " + drive + "p1; mkfs.vfat -F32 -n START " + drive + "p1 >/dev/null && udevadm settle")
				h.shell(mount)
				h.run("sha256sum", "-c", "/var/lib/sum")
			}()
			refused := h.try("virsh", "start", "grading")
			assert.NotZero(t, refused.Exit)
			assert.Contains(t, refused.Stderr, strings.ReplaceAll(c.says, "DRIVE", drive))
			assert.Equal(t, "nvme", h.driver(address), "never touched")
			assert.Equal(t, drive, h.namespace(machine.Reel))
			assert.Contains(t, h.run("virsh", "domstate", "grading"), "shut off")
		})
	}
	// With all of them gone it starts.
	h.run("virsh", "start", "grading")
	assert.Equal(t, "vfio-pci", h.driver(address))
	h.run("virsh", "destroy", "grading")
	h.returned(machine.Reel)
	h.mustLendkeep("rollback")
}
