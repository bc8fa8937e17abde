package suite

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/providers/emulated/wire"
)

// keptAsFound has a test fail that leaves the host otherwise than it found it,
// and undoes what can be undone, so that the next one is not blamed for it. It
// is the last cleanup of a test. A host that is off is booted first.
func (h host) keptAsFound() {
	h.Helper()
	before := h.condition()
	h.Cleanup(func() {
		if !h.emulated.On() {
			require.NoError(h, h.emulated.PowerOn(h.Context(), machine.Larch()))
		}
		defer h.run("sync") // what was cleared away stays so when the next test cuts the power
		left, gone := h.differences(before)
		if len(left)+len(gone) == 0 {
			return
		}
		h.Errorf("%s did not leave the host as it found it.\nLeft behind:\n%sNo longer there:\n%s", h.Name(), lines(left), lines(gone))
		if left, gone = h.tidied(before, left); len(left)+len(gone) > 0 {
			h.Errorf("Nor could it be undone.\nLeft behind:\n%sNo longer there:\n%s", lines(left), lines(gone))
		}
	})
}

func (h host) condition() []wire.Trace {
	h.Helper()
	h.run("udevadm", "settle")
	found, err := h.emulated.Condition(h.Context())
	require.NoError(h, err)
	return found
}

// quiet is how long what goes on by itself may take to end: a guard on the way
// home, a worker of udev's.
const quiet = 20 * time.Second

// differences gives what is there now and was not, and what was and is not, but
// for programs that have ended: some of libvirt's still run after a boot. A host
// that is about to be as it was is waited for.
func (h host) differences(before []wire.Trace) (left, gone []wire.Trace) {
	h.Helper()
	for end := time.Now().Add(quiet); ; time.Sleep(500 * time.Millisecond) {
		now := h.condition()
		left, gone = without(now, before), without(before, now)
		gone = slices.DeleteFunc(gone, func(t wire.Trace) bool { return t.Kind == wire.Process })
		if len(left)+len(gone) == 0 || time.Now().After(end) {
			return left, gone
		}
	}
}

// without gives the traces of a list that another lacks, each as often as there
// are more of it.
func without(list, other []wire.Trace) []wire.Trace {
	other = slices.Clone(other)
	var rest []wire.Trace
	for _, trace := range list {
		if i := slices.Index(other, trace); i >= 0 {
			other = slices.Delete(other, i, i+1)
		} else {
			rest = append(rest, trace)
		}
	}
	return rest
}

func lines(list []wire.Trace) string {
	var b strings.Builder
	for _, trace := range list {
		fmt.Fprintf(&b, "  %s %s: %s\n", trace.Kind, trace.Name, trace.Detail)
	}
	return b.String()
}

// undoing does away with what a trace is of; $1 is its name. Those above come
// first, as they may be on top of those below.
var undoing = []struct {
	kind   wire.Kind
	script string
}{
	{wire.Guest, `virsh destroy "$1"`},
	{wire.Process, `kill -KILL "$1"`},
	{wire.Swap, `swapoff "$1"`},
	{wire.Mount, `umount "$1"`},
	{wire.Loop, `losetup -d "$1"`},
	{wire.Mapped, `dmsetup remove "$1"`},
	{wire.Array, `mdadm --stop "$1"`},
	{wire.Driver, `cd /sys/bus/pci/devices/$1; echo > driver_override; [ ! -e driver ] || echo $1 > driver/unbind; echo $1 > /sys/bus/pci/drivers_probe`},
	{wire.File, `case "$1" in /etc/libvirt/qemu/*.xml) virsh undefine --nvram "$(basename "$1" .xml)";; *) rm "$1";; esac`},
	{wire.Partition, blankAt},
	{wire.Content, blankAt},
}

// blankAt has the drives of the controller at address $1 read as zeros, and the
// kernel know that no table is there any more.
const blankAt = `set -e; for block in /sys/block/*; do
	case $(readlink -f $block) in */$1/*) blkdiscard -f /dev/${block##*/}; blockdev --rereadpt /dev/${block##*/};; esac; done`

// tidied undoes what was left, from the top down, and gives what differs still.
// What was put upon another shows only in a second round what it was put on; what
// is left after that, a boot may end.
func (h host) tidied(before, left []wire.Trace) (still, gone []wire.Trace) {
	h.Helper()
	for round := range 3 {
		if round == 2 {
			require.NoError(h, h.emulated.PowerCut())
			require.NoError(h, h.emulated.PowerOn(h.Context(), machine.Larch()))
		}
		slices.Reverse(left) // what was mounted last goes first
		for _, u := range undoing {
			for _, trace := range left {
				if trace.Kind != u.kind || changed(trace, before) {
					continue
				}
				if result := h.try("bash", "-c", u.script, "undo", trace.Name); result.Exit != 0 {
					h.Logf("undo %s %s: %s", trace.Kind, trace.Name, result.Stderr)
				}
			}
		}
		if left, gone = h.differences(before); len(left)+len(gone) == 0 {
			break
		}
	}
	return left, gone
}

// changed says of a file that it was there before: it is not to be removed.
func changed(trace wire.Trace, before []wire.Trace) bool {
	return trace.Kind == wire.File && slices.ContainsFunc(before, func(b wire.Trace) bool { return b.Kind == wire.File && b.Name == trace.Name })
}

// blank has a drive hold nothing again, as every test finds it. Nothing may be
// on top of it.
func (h host) blank(serial string) {
	h.Helper()
	h.returned(serial)
	h.run("bash", "-c", blankAt, "blank", h.controllers()[serial])
	h.run("udevadm", "settle")
}

// A host on which everything was left behind is found out in each of it, and can
// be tidied up.
func TestWhatIsLeftIsFound(t *testing.T) {
	h := onLarch(t)
	before := h.condition()
	at := h.controllers()
	h.shell(`exec >/dev/null
		device=` + h.namespace(machine.Reel) + `; sgdisk -n1:0:+64M -n2:0:0 $device && udevadm settle
		mkswap -q ${device}p1 && swapon ${device}p1 && mkfs.xfs -q ${device}p2 && mount ${device}p2 /mnt
		pvcreate -qqy ` + h.namespace(machine.Spare) + ` && vgcreate -qq vg-left ` + h.namespace(machine.Spare) + ` && lvcreate -qqy -L 32M -n lv vg-left
		mdadm --create /dev/md/left --quiet --run --level=1 --raid-devices=2 --metadata=1.2 ` + h.namespace(machine.TwinA) + ` missing
		losetup -f ` + h.namespace(machine.TwinB) + `
		mkfs.ext4 -q ` + h.namespace(machine.Shared) + ` && mkdir -p /run/apart
		setsid unshare -m --propagation private bash -c 'mount ` + h.namespace(machine.Shared) + ` /run/apart; touch /run/apart/done; sleep 1000' </dev/null 2>&0 &
		mkdir -p /etc/libvirt/hooks/qemu.d && touch /etc/libvirt/hooks/qemu.d/left
		echo ` + at[machine.Bridged] + ` > /sys/bus/pci/drivers/nvme/unbind`)
	h.sleeping("left")
	h.run("virsh", "start", "left")
	now := h.condition()
	left, gone := without(now, before), without(before, now)
	t.Log("\n" + lines(left))
	for _, want := range []struct {
		kind         wire.Kind
		name, detail string
	}{
		{wire.Partition, at[machine.Reel], "partition 2"}, {wire.Content, at[machine.Reel], "not blank"}, {wire.Held, at[machine.Reel], "in use"},
		{wire.Swap, h.namespace(machine.Reel) + "p1", ""}, {wire.Mount, "/mnt", h.namespace(machine.Reel) + "p2"},
		{wire.Mapped, "vg--left-lv", ""}, {wire.Held, at[machine.Spare], "dm-"}, {wire.Array, "/dev/md", ""}, {wire.Held, at[machine.TwinA], "md"},
		{wire.Loop, "/dev/loop", h.namespace(machine.TwinB)}, {wire.Apart, "/run/apart", h.namespace(machine.Shared)}, {wire.Held, at[machine.Shared], "in use"},
		{wire.Process, "", "sleep 1000"}, {wire.Guest, "left", "runs"}, {wire.File, "/etc/libvirt/qemu/left.xml", ""},
		{wire.File, "/etc/libvirt/hooks/qemu.d/left", ""}, {wire.Driver, at[machine.Bridged], "none"},
	} {
		assert.True(t, slices.ContainsFunc(left, func(trace wire.Trace) bool {
			return trace.Kind == want.kind && strings.HasPrefix(trace.Name, want.name) && strings.Contains(trace.Detail, want.detail)
		}), "%s %s: %s", want.kind, want.name, want.detail)
	}
	assert.Contains(t, gone, wire.Trace{Kind: wire.Driver, Name: at[machine.Bridged], Detail: "nvme"})
	left, gone = h.tidied(before, left)
	assert.Empty(t, append(left, gone...))
}
