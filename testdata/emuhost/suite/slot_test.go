package suite

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
)

// both states the two functions of larch's card with two as one controller. The
// other drives of that kind sit in slots of one function.
const both = `controller "it" {
  pci { functions = ["1b36:0010", "1b36:0010"] }
}
`

// All functions of a slot are lent as one controller, which is one slot of the guest,
// and come back together.
func TestWholeSlotIsLent(t *testing.T) {
	h := withProgram(t)
	h.sleeping("grading")
	at := h.controllers()
	first, second := at[machine.TwinA], at[machine.TwinB]
	h.layout(strings.Replace(one(both), "shift", "shift \"night\" { guests = [] }\nshift", 1))

	h.apply("--shift", "day")
	assert.Equal(t, "vfio-pci", h.driver(first))
	assert.Equal(t, "vfio-pci", h.driver(second))
	live := h.run("virsh", "dumpxml", "grading")
	assert.Equal(t, 2, strings.Count(live, "<hostdev"), live)
	assert.Equal(t, 1, strings.Count(live, "function='0x0' multifunction='on'/>"), live)
	assert.Contains(t, h.lendkeep("status", "workshop").Stdout, "lent to grading")
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "day"), "there is nothing to do")

	h.apply("--shift", "night")
	for _, serial := range []string{machine.TwinA, machine.TwinB} {
		h.returned(serial)
	}
	assert.Equal(t, "nvme", h.driver(first))
	assert.Equal(t, "nvme", h.driver(second))
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
}

// Where one of them is in use, none is lent; where a guest has one alone, it does not
// start.
func TestPartOfAWholeSlotIsRefused(t *testing.T) {
	h := withProgram(t)
	h.sleeping("grading")
	h.layout(one(both))
	device := h.namespace(machine.TwinB)
	h.Cleanup(func() {
		h.shell("umount -q /mnt/use; rm -rf /mnt/use")
		h.blank(machine.TwinB)
	})
	h.shell("mkfs.ext4 -q -F " + device + " && udevadm settle && mkdir -p /mnt/use && mount " + device + " /mnt/use")
	refused := h.lendkeep("plan", "workshop", "--shift", "day")
	assert.Equal(t, 1, refused.Exit)
	assert.Contains(t, refused.Stdout, "mount /mnt/use")
	assert.Equal(t, "nvme", h.driver(h.controllers()[machine.TwinA]))
}

// pluggedIn gives the physical slot of a function.
func (h host) pluggedIn(address string) string {
	h.Helper()
	slot := pairs(h.shell("for s in /sys/bus/pci/slots/*; do echo $(cat $s/address) ${s##*/}; done"))[address[:strings.LastIndex(address, ".")]]
	require.NotEmpty(h, slot, address)
	return slot
}

// inSlot states a function of a kind in a slot.
func inSlot(vendor, device, slot string) string {
	return strings.Replace(pci("it", vendor, device), "  }\n", "    slot = \""+slot+"\"\n  }\n", 1)
}

// Controllers of other kinds are refused for what is below them: a mounted disk, an
// interface that is up.
func TestOtherControllersInUse(t *testing.T) {
	h := withProgram(t)
	h.sleeping("grading")
	disk := h.namespace(machine.Disk)
	ports := strings.TrimSpace(h.shell("readlink -f /sys/class/block/" + strings.TrimPrefix(disk, "/dev/") + ` | grep -oE '[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]' | tail -n1`))
	card, slot := h.cardBeside(h.controllers()[machine.Shared])
	name := strings.TrimSpace(h.run("ls", "/sys/bus/pci/devices/"+card+"/net"))
	flags := "/sys/class/net/" + name + "/flags"
	h.Cleanup(func() {
		h.shell("umount -q /mnt/use; rm -rf /mnt/use; blkdiscard -f -z " + disk + "; echo 0x1002 > " + flags)
	})
	for what, c := range map[string]struct{ layout, before, says string }{
		"a mounted disk": {one(inSlot("8086", "2922", h.pluggedIn(ports))),
			"mkfs.ext4 -q -F " + disk + " && udevadm settle && mkdir -p /mnt/use && mount " + disk + " /mnt/use", "mount /mnt/use"},
		"an interface that is up": {one(inSlot("8086", "10d3", slot)), "echo 0x1003 > " + flags, "network interface " + name},
	} {
		t.Run(what, func(t *testing.T) {
			h := host{t, h.emulated}
			h.shell(c.before)
			h.layout(c.layout)
			refused := h.lendkeep("plan", "workshop", "--shift", "day")
			assert.Equal(t, 1, refused.Exit, refused.Stdout+refused.Stderr)
			assert.Contains(t, refused.Stdout, c.says)
		})
	}
}
