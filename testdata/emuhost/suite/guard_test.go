package suite

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// With the guard in force a plain start by libvirt is as safe as an order: the
// declared mount is unmounted first and mounted again afterwards, and a start
// under any other use is refused with the reason.
func TestGuardedStart(t *testing.T) {
	h := withProgram(t)
	h.shelved()
	h.layout(plain)
	h.sleeping("grading")
	h.apply()
	h.run("test", "-x", facts.GuardHook)
	h.restartLibvirt() // it looks for hooks when it starts
	address := h.controllers()[machine.Reel]

	h.run("virsh", "start", "grading")
	assert.Equal(t, "vfio-pci", h.driver(address))
	assert.NotZero(t, h.try("findmnt", "/srv/shelf").Exit, "unmounted first")
	h.shutDown("grading")
	h.returned(machine.Reel)
	h.until(30*time.Second, "the shelf is mounted again", func() bool { return h.try("findmnt", "/srv/shelf").Exit == 0 })
	h.run("sha256sum", "-c", "/var/lib/sum")

	h.shell("mount " + h.namespace(machine.Reel) + "p1 /mnt/start")
	refused := h.try("virsh", "start", "grading")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stderr, "/mnt/start")
	assert.Equal(t, "nvme", h.driver(address), "never touched")
	h.run("umount", "/mnt/start")
	h.run("sha256sum", "-c", "/var/lib/sum")

	h.mustLendkeep("rollback")
	for _, file := range []string{facts.GuardHook, facts.GuardRules, facts.GuardUdev} {
		assert.NotZero(t, h.try("test", "-e", file).Exit, file)
	}
}

func (h host) restartLibvirt() {
	h.Helper()
	h.shell("pkill -x libvirtd; while pgrep -x libvirtd >/dev/null; do sleep 0.1; done; libvirtd -d")
	h.until(time.Minute, "libvirt answers", func() bool { return h.try("virsh", "list").Exit == 0 })
}

// shutDown asks a guest to end until it has.
func (h host) shutDown(guest string) {
	h.Helper()
	h.until(time.Minute, guest+" has ended", func() bool {
		h.try("virsh", "shutdown", guest)
		time.Sleep(2 * time.Second)
		return strings.Contains(h.run("virsh", "domstate", guest), "shut off")
	})
}
