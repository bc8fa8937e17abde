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

// quick is the workshop with short limits, its guest starting from its own disk.
var quick = strings.NewReplacer(`within = "100s"`, `within = "5s"`, "  return {\n", "  return {\n    within = \"5s\"\n").Replace(plain)

// guarded gives larch with the guard in force, a guest that borrows the reel and
// hears no power button, and one whose disk lies on the reel's shelf.
func guarded(t testing.TB) host {
	h := withProgram(t)
	h.shelved()
	h.layout(quick)
	h.define(emuhost.Guest{Name: "grading"})
	h.onShelf("catalogue")
	h.apply()
	h.restartLibvirt()
	return h
}

// onShelf defines a guest with an empty disk on the shelf.
func (h host) onShelf(name string) {
	h.Helper()
	h.run("truncate", "-s", "1M", "/srv/shelf/"+name+".img")
	h.defineWith(emuhost.Guest{Name: name}, "<disk type='file' device='disk'><driver name='qemu' type='raw'/><source file='/srv/shelf/"+name+".img'/><target dev='sda' bus='sata'/></disk>")
}

// lent starts grading, as anybody does.
func (h host) lent() (address string) {
	h.Helper()
	address = h.controllers()[machine.Reel]
	h.run("virsh", "start", "grading")
	require.Equal(h, "vfio-pci", h.driver(address))
	require.NotZero(h, h.try("findmnt", "/srv/shelf").Exit)
	return address
}

// whole waits until the reel is the host's again, with its shelf mounted and
// what was on it.
func (h host) whole() {
	h.Helper()
	h.returned(machine.Reel)
	h.until(30*time.Second, "the shelf is mounted again", func() bool { return h.try("findmnt", "/srv/shelf").Exit == 0 })
	h.run("sha256sum", "-c", "/var/lib/sum")
}

// However a guest ends, what it had borrowed comes home and is mounted, by
// nobody but the guard.
func TestReturns(t *testing.T) {
	h := guarded(t)
	for name, ends := range map[string]func(h host){
		"its QEMU is killed":                  func(h host) { h.run("pkill", "-KILL", "-f", "guest=grading") },
		"it hangs, and is cut off":            func(h host) { h.shell("pkill -STOP -f guest=grading; virsh destroy grading") },
		"libvirtd is restarted while it runs": func(h host) { h.restarted() },
	} {
		t.Run(name, func(t *testing.T) {
			h := host{t, h.emulated}
			h.lent()
			ends(h)
			h.whole()
		})
	}

	t.Run("it does not shut down when asked", func(t *testing.T) {
		h := host{t, h.emulated}
		address := h.lent()
		code := h.plan("--shift", "night")
		result := h.lendkeep("apply", "/tmp/an.order", "--approve", code)
		assert.Equal(t, 3, result.Exit, result.Stdout+result.Stderr)
		assert.Equal(t, "vfio-pci", h.driver(address), "it is left to it")
		h.run("virsh", "destroy", "grading")
		h.whole()
	})
}

// restarted has the daemon end and come again while the guest runs on, then the
// guest end.
func (h host) restarted() {
	h.Helper()
	before := h.run("pgrep", "-f", "guest=grading")
	h.restartLibvirt()
	assert.Equal(h, before, h.run("pgrep", "-f", "guest=grading"), "the guest lives on")
	assert.Contains(h, h.run("virsh", "domstate", "grading"), "running")
	h.run("virsh", "destroy", "grading")
}

// The plug is pulled while the reel is lent. At the next boot it is home; what
// belongs on it is told and not mounted behind anybody's back, and a guest that
// needs it is held until it is.
func TestPowerCutWhileLent(t *testing.T) {
	h := guarded(t)
	address := h.lent()
	h.run("sync")
	require.NoError(t, h.emulated.PowerCut())
	require.NoError(t, h.emulated.PowerOn(t.Context(), machine.Larch()))

	assert.Equal(t, address, h.controllers()[machine.Reel])
	assert.Equal(t, "nvme", h.driver(address))
	refused := h.try("virsh", "start", "catalogue")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stderr, "nothing is mounted there")
	status := h.lendkeep("status", "workshop")
	assert.Contains(t, status.Stdout, "mount shelf of reel at /srv/shelf")
	h.apply()
	h.whole()
	h.run("virsh", "start", "catalogue")
}

// The drive is gone when its guest ends. The ladder is climbed and says what is
// left; guests that need the shelf are held until the power cycle.
func TestControllerThatDoesNotComeBack(t *testing.T) {
	h := guarded(t)
	address := h.lent()
	require.NoError(t, h.emulated.Unplug(t.Context(), "card1"))
	begin := time.Now()
	h.run("virsh", "destroy", "grading")
	assert.Less(t, time.Since(begin), 30*time.Second, "libvirt does not wait for the ladder")
	h.until(time.Minute, "the ladder has ended", func() bool {
		return strings.Contains(h.try("bash", "-c", "cat /var/lib/lendkeep/notes/*").Stdout, "power cycle")
	})
	notes := h.run("bash", "-c", "cat /var/lib/lendkeep/notes/*")
	assert.Contains(t, notes, "rescan took")
	h.until(10*time.Second, "nobody looks on for ever", func() bool { return h.try("pgrep", "-f", "lendkeep-hook").Exit != 0 })
	assert.NotContains(t, h.run("ls", "/sys/bus/pci/devices"), address)
	refused := h.try("virsh", "start", "catalogue")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stderr, "nothing is mounted there")
	refused = h.try("virsh", "start", "grading")
	assert.NotZero(t, refused.Exit)

	h.run("sync")
	require.NoError(t, h.emulated.PowerCut())
	require.NoError(t, h.emulated.PowerOn(t.Context(), machine.Larch()))
	h.apply()
	h.whole()
}

// lendkeep is killed while the reel is on its way home.
func TestKilledOnTheWayHome(t *testing.T) {
	h := guarded(t)
	h.sleeping("grading")
	h.apply()
	for _, then := range []string{"resume", "rollback"} {
		t.Run(then, func(t *testing.T) {
			h := host{t, h.emulated}
			address := h.lent()
			h.run("rm", "-rf", "/var/lib/lendkeep") // the records of what went before
			code := h.plan("--shift", "night")
			h.cutAt(3, false, code)
			h.until(30*time.Second, "the host is free", func() bool {
				result := h.lendkeep(then)
				require.Contains(h, []int{0, 8}, result.Exit, result.Stdout+result.Stderr)
				return result.Exit == 0
			})
			if then == "rollback" {
				assert.Equal(t, "vfio-pci", h.driver(address), "the guest runs again")
				h.run("virsh", "destroy", "grading")
			}
			h.whole()
		})
	}
}
