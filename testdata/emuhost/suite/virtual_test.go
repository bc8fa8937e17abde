package suite

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
)

// second states a drive that makes virtual functions, and the second of them.
const second = `controller "card" {
  virtual_functions = 2
  nvme { serial = "` + machine.Parent + `" }
}
controller "it" {
  virtual {
    of     = controller.card
    number = 1
  }
}
`

// Virtual functions are made by one order and, once a person has brought one online,
// lent by the next; the drive itself stays with the host.
func TestVirtualFunctionIsLent(t *testing.T) {
	h := withProgram(t)
	t.Cleanup(func() {
		h.run("sync")
		require.NoError(t, h.emulated.PowerCut())
		require.NoError(t, h.emulated.PowerOn(h.Context(), machine.Larch()))
	})
	h.run("sync")
	require.NoError(t, h.emulated.PowerCut())
	more := machine.Larch()
	more.Seats = append(more.Seats, machine.Seat{Cards: []machine.Card{{Kind: machine.NVMe, Serial: machine.Parent, SizeMiB: 64, Virtual: 2}}})
	require.NoError(t, h.emulated.PowerOn(t.Context(), more))
	h.sleeping("grading")
	at := h.controllers()[machine.Parent]
	dir := "/sys/bus/pci/devices/" + at
	h.layout(strings.Replace(one(second), "shift", "shift \"night\" { guests = [] }\nshift", 1))

	h.apply("--shift", "day")
	assert.Equal(t, "2", strings.TrimSpace(h.run("cat", dir+"/sriov_numvfs")))
	virtual := strings.TrimSpace(h.shell("basename $(readlink -f " + dir + "/virtfn1)"))
	assert.Contains(t, h.mustLendkeep("check", "workshop", "--shift", "day"), "it may be offline")

	device := strings.TrimSpace(h.shell("basename " + dir + "/nvme/nvme*"))
	for _, resources := range []string{"-r 0 -a 8 -n 2", "-r 1 -a 8 -n 1", "-a 9"} {
		h.shell("nvme virt-mgmt /dev/" + device + " -c 2 " + resources)
	}
	h.shell("echo " + virtual + " > /sys/bus/pci/drivers_probe")
	h.until(30*time.Second, "the virtual function is online", func() bool { return h.driver(virtual) == "nvme" })

	h.apply("--shift", "day")
	assert.Equal(t, "vfio-pci", h.driver(virtual))
	assert.Equal(t, "nvme", h.driver(at), "what makes it stays with the host")
	assert.Contains(t, h.lendkeep("status", "workshop").Stdout, "lent to grading")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")

	h.layout(one(nvme(machine.Parent)))
	refused := h.lendkeep("plan", "workshop", "--shift", "day")
	assert.Equal(t, 1, refused.Exit)
	assert.Contains(t, refused.Stdout, "has virtual functions")

	h.layout(strings.Replace(one(second), "shift", "shift \"night\" { guests = [] }\nshift", 1))
	h.apply("--shift", "night")
	h.until(30*time.Second, "the virtual function is back", func() bool { return h.driver(virtual) == "nvme" })
	h.layout("host \"larch\" {}\n" + strings.Replace(second[:strings.Index(second, "controller \"it\"")], "= 2", "= 0", 1))
	h.apply()
	assert.Equal(t, "0", strings.TrimSpace(h.run("cat", dir+"/sriov_numvfs")))
	assert.Equal(t, "nvme", h.driver(at))
}
