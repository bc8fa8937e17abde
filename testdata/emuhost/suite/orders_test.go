package suite

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/emuhost"
)

// workshop lends the reel to grading by day; its shelf is the host's at night.
const workshop = `
host "larch" {
  never_lend = ["` + machine.Own + `"]
}

controller "reel" {
  nvme {
    serial = "` + machine.Reel + `"
  }
  drive {
    partition "shelf" {
      size   = rest()
      format = "xfs"
    }
  }
  return {
    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime"]
    }
  }
}

guest "grading" {
  borrows = [controller.reel]
  BOOTS
  stop { within = "100s" }
}

shift "day" { guests = [guest.grading] }
shift "night" { guests = [] }
`

// plain is the workshop with a guest that starts from its own disk.
var plain = strings.Replace(workshop, "  BOOTS\n", "", 1)

// shelved lays out the reel's drive: an ESP with a loader that says a marker and
// switches off, and a mounted shelf with a file whose sum is kept.
func (h host) shelved() {
	h.Helper()
	device := h.namespace(machine.Reel)
	h.Cleanup(func() {
		h.unguarded()
		h.shell("while umount -q /srv/shelf; do :; done")
		h.blank(machine.Reel)
		h.run("rm", "-rf", "/srv/shelf", "/mnt/start", "/var/lib/sum")
	})
	h.shell("sgdisk -n1:0:+128M -t1:EF00 -c1:start -n2:0:0 -c2:shelf " + device + ` >/dev/null && udevadm settle
		mkfs.vfat -F32 -n START ` + device + "p1 >/dev/null && mkdir -p /mnt/start && mount " + device + `p1 /mnt/start
		mkdir -p /mnt/start/EFI/BOOT /mnt/start/EFI/debian
		cp /usr/lib/grub/x86_64-efi/monolithic/grubx64.efi /mnt/start/EFI/BOOT/BOOTX64.EFI
		printf 'echo marker-of-%s\nhalt\n' grading > /mnt/start/EFI/debian/grub.cfg && umount /mnt/start
		mkfs.xfs -q -f -L shelf ` + device + "p2 && udevadm settle && mkdir -p /srv/shelf && mount -o noatime " + device + `p2 /srv/shelf
		head -c 4000000 /dev/urandom > /srv/shelf/blob && sha256sum /srv/shelf/blob > /var/lib/sum`)
}

// The survey says what /sys, lspci and lsblk say, and plans the same order on
// another machine, byte for byte. A tree of the host is surveyed like the host.
func TestSurvey(t *testing.T) {
	h := withProgram(t)
	h.shelved()
	h.sleeping("grading")
	h.mustLendkeep("survey", "-o", "/tmp/larch.json")
	t.Cleanup(func() { h.run("rm", "-f", "/tmp/larch.json", "/tmp/larch.txtar") })
	content, err := h.emulated.ReadFile(t.Context(), "/tmp/larch.json")
	require.NoError(t, err)
	survey, err := facts.Decode(content)
	require.NoError(t, err)
	ix := facts.NewIndex(&survey)

	listed := pairs(h.shell("lspci -D -n | cut -d' ' -f1,3"))
	require.Len(t, survey.Functions, len(listed))
	for address, id := range listed {
		at, err := facts.ParseAddress(address)
		require.NoError(t, err)
		f := ix.Function(at)
		require.NotNil(t, f, address)
		assert.Equal(t, id, f.Vendor.String()+":"+f.Device.String(), address)
		assert.Equal(t, h.driver(address), f.Driver, address)
	}
	for serial, address := range h.controllers() {
		list := ix.BySerial(serial)
		require.Len(t, list, 1, serial)
		assert.Equal(t, address, list[0].Address.String())
	}
	groups := pairs(h.shell(`for d in /sys/kernel/iommu_groups/*/devices/*; do g=${d#/sys/kernel/iommu_groups/}; echo ${d##*/} ${g%%/*}; done`))
	for _, f := range survey.Functions {
		require.NotNil(t, f.Group, f.Address)
		number := groups[f.Address.String()]
		for _, member := range ix.Group(*f.Group) {
			assert.Equal(t, number, groups[member.Address.String()])
		}
	}
	assert.Equal(t, "nvme0n1p2", strings.TrimPrefix(strings.TrimSpace(h.run("findmnt", "-no", "SOURCE", "/srv/shelf")), "/dev/"))
	require.NotNil(t, ix.MountAt("/srv/shelf"))

	h.layout(plain)
	inside := h.mustLendkeep("plan", "workshop", "--shift", "day", "--survey", "/tmp/larch.json", "-o", "-")
	assert.Equal(t, inside, planHere(t, content, plain))

	h.mustLendkeep("survey", "--keep-tree", "/tmp/larch.txtar")
	assert.Contains(t, h.mustLendkeep("survey", "--root", "/tmp/larch.txtar", "--since", "/tmp/larch.json"), "Nothing has changed since")
}

// planHere plans on this machine from a survey that was brought home.
func planHere(t *testing.T, survey []byte, layout string) string {
	folder := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(folder, "workshop"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "workshop", "larch.hcl"), []byte(layout), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "larch.json"), survey, 0o644))
	programs, err := programs()
	require.NoError(t, err)
	command := exec.Command(filepath.Join(programs, "lendkeep"), "plan", "workshop", "--shift", "day", "--survey", "larch.json", "-o", "-")
	command.Dir = folder
	out, err := command.Output()
	require.NoError(t, err, string(out))
	return string(out)
}

// The whole job: the layout's order lends the drive, the guest starts from it,
// ends, and the host has its shelf back.
func TestDayAndNight(t *testing.T) {
	h := withProgram(t)
	h.shelved()
	h.layout(strings.Replace(workshop, "BOOTS", "boots   = controller.reel", 1))
	address := h.controllers()[machine.Reel]
	g := emuhost.Guest{Name: "grading", Firmware: true}
	h.define(g)

	h.apply("--shift", "day")
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.NotContains(t, h.controllers(), machine.Reel)
	assert.Empty(t, h.namespace(machine.Reel))
	assert.NotZero(t, h.try("findmnt", "/srv/shelf").Exit)
	assert.Contains(t, h.lendkeep("status", "workshop").Stdout, "lent to grading")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")

	var said string
	h.until(4*time.Minute, "the guest says the marker", func() bool {
		content, err := h.emulated.ReadFile(h.Context(), g.Serial())
		require.NoError(h, err)
		said = string(content)
		return strings.Contains(said, "marker-of-grading")
	})
	assert.Regexp(t, `BdsDxe: starting Boot0001 "UEFI QEMU NVMe Ctrl `+machine.Reel+` 1"`, said)
	h.until(time.Minute, "the guest has ended by itself", func() bool {
		return strings.Contains(h.run("virsh", "domstate", "grading"), "shut off")
	})

	// Where libvirt knows of the guard, that has mounted the shelf already.
	if out := h.mustLendkeep("plan", "workshop", "--shift", "night"); !strings.Contains(out, "there is nothing to do") {
		h.apply("--shift", "night")
	}
	assert.Equal(t, "nvme", h.driver(address))
	assert.Equal(t, address, h.controllers()[machine.Reel])
	h.run("sha256sum", "-c", "/var/lib/sum")
	assert.Contains(t, h.run("findmnt", "-no", "OPTIONS", "/srv/shelf"), "noatime")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
}

// An order that was carried out is undone: what libvirt, the kernel and mount
// say afterwards is what they said before.
func TestRollback(t *testing.T) {
	h := withProgram(t)
	h.shelved()
	h.layout(plain)
	h.sleeping("grading")
	before := h.standing("grading", machine.Reel)
	h.apply("--shift", "day")
	require.NotEqual(t, before, h.standing("grading", machine.Reel))
	h.mustLendkeep("rollback")
	assert.Equal(t, before, h.standing("grading", machine.Reel))
	h.run("sha256sum", "-c", "/var/lib/sum")
}

// standing is what the host's own programs say of a guest and a drive.
type standing struct{ definition, state, address, driver, mount string }

func (h host) standing(guest, serial string) standing {
	h.Helper()
	address := h.controllers()[serial]
	return standing{
		h.run("virsh", "dumpxml", "--inactive", guest), h.run("virsh", "domstate", guest),
		address, h.driver(address), h.try("findmnt", "-no", "SOURCE,FSTYPE,OPTIONS", "/srv/shelf").Stdout,
	}
}
