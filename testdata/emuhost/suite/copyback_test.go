package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/emuhost"
)

// givenUp has the system on the reel's drive become an image of grading's, while the
// host keeps its shelf there.
const givenUp = `
host "larch" {
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
  disk "system" {
    image     = "` + backIn + `/back.FORMAT"
    format    = "FORMAT"
    bus       = "virtio"
    copy_from = controller.reel
  }
}

shift "night" { guests = [] }
`

// backIn is the folder in which images are made of drives.
const backIn = "/var/lib/images/back"

// systemOnReel lays out the reel's drive as a guest left it: a system's two partitions,
// and the host's shelf with a file.
func (h host) systemOnReel() (device string) {
	h.Helper()
	device = h.namespace(machine.Reel)
	h.Cleanup(func() {
		h.unguarded()
		h.shell("while umount -q /srv/shelf; do :; done")
		h.blank(machine.Reel)
		h.run("rm", "-rf", "/srv/shelf", backIn, "/var/lib/sum", "/tmp/back.raw")
	})
	h.shell("sgdisk -n1:0:+32M -t1:EF00 -c1:start -n2:0:+160M -c2:system -n3:0:0 -c3:shelf " + device + ` >/dev/null && udevadm settle
		mkfs.vfat -F16 -n START ` + device + `p1 >/dev/null
		head -c 48M /dev/urandom > /tmp/blob && mkdir -p /tmp/seed /srv/shelf ` + backIn + ` && mv /tmp/blob /tmp/seed
		mkfs.ext4 -q -L system -d /tmp/seed ` + device + `p2; rm -r /tmp/seed
		mkfs.xfs -q -L shelf ` + device + "p3 && udevadm settle && mount -o noatime,nosuid,nodev " + device + `p3 /srv/shelf
		echo a-secret-of-the-shelf > /srv/shelf/blob && sha256sum /srv/shelf/blob > /var/lib/sum; sync`)
	return device
}

// The system on a drive becomes a new image, with nothing of the host's in it: each of
// its partitions is the same, byte for byte, and nothing else is there.
func TestDriveIsGivenUp(t *testing.T) {
	for _, format := range []string{"qcow2", "raw"} {
		t.Run(format, func(t *testing.T) {
			h := withProgram(t)
			device := h.systemOnReel()
			h.define(emuhost.Guest{Name: "grading", Borrows: []string{h.controllers()[machine.Reel]}})
			was := h.run("virsh", "dumpxml", "--inactive", "grading")
			h.layout(strings.ReplaceAll(givenUp, "FORMAT", format))
			image := backIn + "/back." + format

			h.apply("--shift", "night")
			assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
			assert.Equal(t, "600 1", strings.TrimSpace(h.run("stat", "-c", "%a %h", image)))
			assert.Equal(t, "back."+format, strings.TrimSpace(h.run("ls", "-A", backIn)), "something stays beside it")
			definition := h.run("virsh", "dumpxml", "--inactive", "grading")
			assert.Contains(t, definition, image)
			assert.NotContains(t, definition, "<hostdev")
			assert.NotEmpty(t, h.run("findmnt", "/srv/shelf"), "the host's shelf went")
			h.run("sha256sum", "-c", "/var/lib/sum")

			if format == "qcow2" {
				h.run("qemu-img", "check", image)
			}
			h.shell("qemu-img convert -f " + format + " -O raw " + image + ` /tmp/back.raw && sgdisk -v /tmp/back.raw | grep -q 'No problems found'
				[ $(sgdisk -p /tmp/back.raw | grep -Ec '^ +[0-9]') = 2 ] && ! grep -qa -e a-secret-of-the-shelf -e XFSB /tmp/back.raw
				loop=$(losetup -f --show -r -P /tmp/back.raw) && udevadm settle; trap "losetup -d $loop" EXIT
				for n in 1 2; do cmp ${loop}p$n ` + device + `p$n; [ $(blkid -p -s PART_ENTRY_UUID -o value ${loop}p$n) = $(blkid -p -s PART_ENTRY_UUID -o value ` + device + `p$n) ]; done
				e2fsck -fn ${loop}p2; fsck.vfat -n ${loop}p1`)

			h.mustLendkeep("rollback")
			assert.Empty(t, h.run("ls", "-A", backIn))
			assert.Equal(t, was, h.run("virsh", "dumpxml", "--inactive", "grading"))
			h.run("sha256sum", "-c", "/var/lib/sum")
		})
	}
}

// A file that is there is never written to, whether it is seen when planning or comes
// after; a process that is killed in the middle leaves no image under its name, and
// resuming ends it; undoing removes what was made, and no other file.
func TestGivingUpLeavesOtherFilesAlone(t *testing.T) {
	h := withProgram(t)
	h.systemOnReel()
	h.define(emuhost.Guest{Name: "grading"})
	h.layout(strings.ReplaceAll(givenUp, "FORMAT", "qcow2"))
	image := backIn + "/back.qcow2"

	h.shell("echo somebody-elses > " + image)
	refused := h.lendkeep("plan", "workshop", "--shift", "night")
	assert.Equal(t, 1, refused.Exit, refused.Stderr)
	assert.Contains(t, refused.Stdout, "stop: file "+image+" is there already")
	h.run("rm", image)

	code := h.plan("--shift", "night")
	h.shell("echo somebody-elses > " + image)
	late := h.lendkeep("apply", "/tmp/an.order", "--approve", code)
	assert.Equal(t, 5, late.Exit, late.Stderr)
	assert.Equal(t, "somebody-elses", strings.TrimSpace(h.run("cat", image)))
	assert.Equal(t, "back.qcow2", strings.TrimSpace(h.run("ls", "-A", backIn)))
	h.run("rm", image)

	code = h.plan("--shift", "night")
	h.shell(`cd /root; lendkeep apply /tmp/an.order --approve ` + code + ` >/tmp/apply.log 2>&1 & pid=$!
		while kill -0 $pid 2>/dev/null; do
			if [ "$(stat -c %b ` + image + `.lendkeep-part 2>/dev/null || echo 0)" -gt 16384 ]; then kill -KILL $pid; break; fi
		done; wait $pid || true`)
	assert.Equal(t, "back.qcow2.lendkeep-part", strings.TrimSpace(h.run("ls", "-A", backIn)))
	assert.Contains(t, h.mustLendkeep("resume"), "is carried out")
	h.run("qemu-img", "check", image)
	assert.Equal(t, "back.qcow2", strings.TrimSpace(h.run("ls", "-A", backIn)))

	h.shell("mv " + image + " " + backIn + "/kept && echo somebody-elses > " + image)
	refused = h.lendkeep("rollback")
	assert.NotZero(t, refused.Exit)
	assert.Equal(t, "somebody-elses", strings.TrimSpace(h.run("cat", image)))
	h.shell("mv " + backIn + "/kept " + image)
	h.mustLendkeep("rollback")
	assert.Empty(t, h.run("ls", "-A", backIn))
}
