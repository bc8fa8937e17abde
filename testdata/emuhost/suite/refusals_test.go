package suite

import (
	"path"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
)

// one is a layout in which a guest borrows one controller.
func one(controller string) string {
	return `host "larch" {
  never_lend = ["` + machine.Spare + `"]
}
` + controller + `
guest "grading" {
  borrows = [controller.it]
}
shift "day" { guests = [guest.grading] }
`
}

func nvme(serial string) string {
	return "controller \"it\" {\n  nvme {\n    serial = \"" + serial + "\"\n  }\n}\n"
}

func pci(name, vendor, device string) string {
	return "controller \"" + name + "\" {\n  pci {\n    vendor = \"" + vendor + "\"\n    device = \"" + device + "\"\n  }\n}\n"
}

func TestRefusals(t *testing.T) { refusals(t, withProgram(t)) }

// refusals holds that each is refused before anything is touched, by its own finding.
func refusals(t *testing.T, h host) {
	h.sleeping("grading")
	device := h.namespace(machine.Reel)
	t.Cleanup(func() {
		h.blank(machine.Reel)
		h.run("rm", "-rf", "/mnt/use", "/run/lvm")
	})
	for name, c := range map[string]struct {
		layout string
		before string // what makes it so
		after  string
		exit   int
		says   string
	}{
		"a mounted filesystem": {one(nvme(machine.Reel)),
			"mkfs.xfs -q -f " + device + " && udevadm settle && mkdir -p /mnt/use && mount " + device + " /mnt/use", "umount /mnt/use && wipefs -qa " + device,
			1, path.Base(device) + " > mount /mnt/use"},
		"swap": {one(nvme(machine.Reel)),
			"mkswap -q " + device + " && udevadm settle && swapon " + device, "swapoff " + device + " && wipefs -qa " + device,
			1, "swap " + device},
		"LVM": {one(nvme(machine.Reel)),
			"pvcreate -qqy " + device + " && vgcreate -qq vg-test " + device + " && lvcreate -qqy -L 64M -n lv vg-test && udevadm settle",
			"vgremove -qqf vg-test && pvremove -qq " + device,
			1, "host uses it"},
		"a group with a foreign driver": {one(nvme(machine.Shared)), "", "", 1, "82574L"},
		"twins by vendor and device":    {one(pci("it", "1b36", "0010")), "", "", 1, "is ambiguous"},
		"a device that is absent":       {one(nvme("RL-0000-0000")), "", "", 1, "was not found"},
		"the host's own drive":          {one(nvme(machine.Own)), "", "", 1, "is never lent"},
		"a second borrower of the shift": {strings.Replace(one(nvme(machine.Reel)), "shift", "guest \"second\" {\n  borrows = [controller.it]\n}\nshift", 1) +
			"shift \"both\" { guests = [guest.grading, guest.second] }\n", "", "", 2, "second"},
	} {
		t.Run(name, func(t *testing.T) {
			h := host{t, h.emulated}
			if c.before != "" {
				h.shell(c.before)
				defer h.shell(c.after)
			}
			h.layout(c.layout)
			result := h.lendkeep("plan", "workshop", "--shift", "day", "-o", "/tmp/no.order")
			assert.Equal(t, c.exit, result.Exit, result.Stdout+result.Stderr)
			if name != "LVM" {
				assert.Contains(t, result.Stdout+result.Stderr, c.says)
			} else {
				assert.Contains(t, result.Stdout, "vg--test-lv")
			}
			assert.NotZero(t, h.try("test", "-e", "/tmp/no.order").Exit)
		})
	}
}

// A group that cannot be lent is made viable by naming its other member as a
// controller that nobody borrows; rolling back gives that its driver again, also the
// one that somebody keeps it with by driver_override.
func TestCompanionPutAside(t *testing.T) {
	h := withProgram(t)
	h.sleeping("grading")
	address := h.controllers()[machine.Shared]
	card, slot := h.cardBeside(address)
	h.layout(one(nvme(machine.Shared) + strings.Replace(pci("card", "8086", "10d3"), "  }\n", "    slot = \""+slot+"\"\n  }\n", 1)))
	require.Equal(t, "e1000e", h.driver(card))
	override := func() string {
		return strings.TrimSpace(h.shell("cat /sys/bus/pci/devices/" + card + "/driver_override"))
	}
	keep := func(with string) {
		h.shell("cd /sys/bus/pci; echo " + with + " > devices/" + card + "/driver_override; echo " + card + " > devices/" + card + "/driver/unbind; echo " + card + " > drivers_probe")
	}

	none := override()
	h.shell("modprobe pci-stub")
	for _, with := range []string{"", "pci-stub"} {
		was, says := "e1000e", none
		if with != "" {
			was, says = with, with
			keep(with)
			h.Cleanup(func() { keep("") })
			require.Equal(t, with, h.driver(card))
		}
		h.apply("--shift", "day")
		assert.Equal(t, "vfio-pci", h.driver(card))
		assert.Equal(t, "vfio-pci", h.driver(address))
		h.mustLendkeep("rollback")
		h.returned(machine.Shared)
		assert.Equal(t, was, h.driver(card))
		assert.Equal(t, says, override())
		assert.Equal(t, "nvme", h.driver(address))
	}
}

// cardBeside gives the network card of a controller's group and the physical
// slot it is in.
func (h host) cardBeside(address string) (card, slot string) {
	h.Helper()
	card = strings.TrimSpace(h.shell("for d in /sys/bus/pci/devices/" + address + "/iommu_group/devices/*; do [ $(cat $d/device) != 0x10d3 ] || basename $d; done"))
	require.NotEmpty(h, card)
	slot = pairs(h.shell("for s in /sys/bus/pci/slots/*; do echo $(cat $s/address) ${s##*/}; done"))[strings.TrimSuffix(card, ".0")]
	require.NotEmpty(h, slot)
	return card, slot
}

// Cut off in the middle of an apply, at chosen numbers of journal records: the
// process killed, or the plug pulled. Afterwards resume reaches the end and
// rollback the beginning.
func TestCutOff(t *testing.T) {
	for _, c := range []struct {
		name    string
		records int
		power   bool
		then    string
	}{
		{"killed early, rolled back", 2, false, "rollback"},
		{"killed during the start, rolled back", 8, false, "rollback"},
		{"killed late, resumed", 6, false, "resume"},
		{"power cut early, rolled back", 4, true, "rollback"},
		{"power cut during the start, resumed", 8, true, "resume"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := withProgram(t)
			h.shelved()
			h.layout(plain)
			h.sleeping("grading")
			before := h.standing("grading", machine.Reel)
			code := h.plan("--shift", "day")
			h.run("sync")
			h.cutAt(c.records, c.power, code)
			// The guard of a start that goes on without its lendkeep holds the lock
			// for a moment: exit code 8, try again.
			h.until(30*time.Second, "the host is free", func() bool {
				result := h.lendkeep(c.then)
				require.Contains(h, []int{0, 8}, result.Exit, result.Stdout+result.Stderr)
				return result.Exit == 0
			})
			address := h.controllers()[machine.Reel]
			if c.then == "resume" {
				assert.Empty(t, address, "it is lent")
				assert.Contains(t, h.lendkeep("status", "workshop").Stdout, "lent to grading")
				h.mustLendkeep("rollback")
			}
			h.returned(machine.Reel)
			after := h.standing("grading", machine.Reel)
			if c.power && c.then == "rollback" {
				before.mount, after.mount = "", "" // not in fstab, so the power cut took it
			}
			assert.Equal(t, before, after)
			if h.try("findmnt", "/srv/shelf").Exit != 0 {
				h.run("mount", h.namespace(machine.Reel)+"p2", "/srv/shelf")
			}
			h.run("sha256sum", "-c", "/var/lib/sum")
		})
	}
}

// cutAt begins an apply and cuts it off once the journal has that many records.
func (h host) cutAt(records int, power bool, code string) {
	h.Helper()
	watch := `cd /root; lendkeep apply /tmp/an.order --approve ` + code + ` >/tmp/apply.log 2>&1 & pid=$!
		while kill -0 $pid 2>/dev/null; do
			n=$( (cat /var/lib/lendkeep/*.journal 2>/dev/null || true) | wc -l)
			[ "$n" -lt ` + strconv.Itoa(records) + ` ] || { CUT; break; }
			sleep 0.02
		done`
	if power {
		process, err := h.emulated.Begin(h.Context(), emulated.Command{Argv: []string{"bash", "-c", strings.Replace(watch, "CUT", "kill -STOP $pid; sync; echo cut > /tmp/cut; sleep 600", 1)}})
		require.NoError(h, err)
		_ = process // it ends with the power
		h.until(4*time.Minute, "the apply has come that far", func() bool { return h.try("test", "-e", "/tmp/cut").Exit == 0 })
		require.NoError(h, h.emulated.PowerCut())
		require.NoError(h, h.emulated.PowerOn(h.Context(), machine.Larch()))
		// What libvirt was writing when the power went lies beside the definition until
		// that is written again (measured with libvirt 9.0.0).
		h.run("find", "/etc/libvirt/qemu", "-name", "*.xml.new", "-delete")
		return
	}
	h.shell("cut=\n" + strings.Replace(watch, "CUT", "kill -KILL $pid; cut=yes", 1) + "\nwait $pid || true\n[ -n \"$cut\" ] || { cat /tmp/apply.log; exit 1; }")
}
