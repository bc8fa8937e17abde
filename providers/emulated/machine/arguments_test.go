package machine

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var own = Card{Kind: NVMe, Serial: "SYS-0001"}

var boot = Boot{
	Kernel: "/k/vmlinuz", Initrd: "/r/initrd", CommandLine: "emuhost.own=SYS-0001", OwnDisk: "/r/own.qcow2",
	Folder: "/r", Console: "/r/console.log", Channel: "/r/agent", ChannelName: "agent",
}

// values gives what follows each option of a name.
func values(arguments []string, option string) []string {
	var found []string
	for i, argument := range arguments {
		if argument == option {
			found = append(found, arguments[i+1])
		}
	}
	return found
}

// setting gives one setting of a device, "" where it has none.
func setting(device, name string) string {
	for part := range strings.SplitSeq(device, ",") {
		if value, found := strings.CutPrefix(part, name+"="); found {
			return value
		}
	}
	return ""
}

func kindOf(device string) string {
	kind, _, _ := strings.Cut(device, ",")
	return kind
}

func TestArgumentsOfEachWay(t *testing.T) {
	drive := func(serial string) Card { return Card{Kind: NVMe, Serial: serial} }
	cases := map[string]struct {
		seat Seat
		want []string
	}{
		"alone": {
			Seat{Cards: []Card{{Kind: NVMe, Serial: "RL-4410-0073", SectorBytes: 4096}}},
			[]string{
				"pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1",
				"nvme,id=card1,bus=port1,drive=card1disk,serial=RL-4410-0073,logical_block_size=4096,physical_block_size=4096,addr=0x0",
			},
		},
		"shared slot": {
			Seat{Way: SharedSlot, Cards: []Card{drive("A"), {Kind: Network}}},
			[]string{
				"pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1,multifunction=on,disable-acs=on",
				"nvme,id=card1,bus=port1,drive=card1disk,serial=A,logical_block_size=512,physical_block_size=512,addr=0x0",
				"pcie-root-port,id=port2,bus=pcie.0,addr=0x4.0x1,chassis=2,slot=2,multifunction=off,disable-acs=on",
				"e1000e,id=card2,bus=port2,mac=52:54:00:00:00:02,addr=0x0",
			},
		},
		"multi-function": {
			Seat{Way: MultiFunction, Cards: []Card{drive("A"), drive("B")}},
			[]string{
				"pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1",
				"nvme,id=card1,bus=port1,drive=card1disk,serial=A,logical_block_size=512,physical_block_size=512,addr=0x0.0x0,multifunction=on",
				"nvme,id=card2,bus=port1,drive=card2disk,serial=B,logical_block_size=512,physical_block_size=512,addr=0x0.0x1,multifunction=off",
			},
		},
		"switched": {
			Seat{Way: Switched, Cards: []Card{drive("A"), {Kind: SATA, Serial: "B"}}},
			[]string{
				"pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1",
				"x3130-upstream,id=up4,bus=port1",
				"xio3130-downstream,id=down2,bus=up4,addr=0x0.0x0,chassis=2,slot=0",
				"nvme,id=card1,bus=down2,drive=card1disk,serial=A,logical_block_size=512,physical_block_size=512,addr=0x0",
				"xio3130-downstream,id=down3,bus=up4,addr=0x1.0x0,chassis=3,slot=1",
				"ich9-ahci,id=card2,bus=down3,addr=0x0",
				"ide-hd,bus=card2.0,drive=card2disk,serial=B,logical_block_size=512,physical_block_size=512",
			},
		},
		"conventional": {
			Seat{Way: Conventional, Cards: []Card{drive("A")}},
			[]string{
				"pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1",
				"pcie-pci-bridge,id=bridge4,bus=port1",
				"nvme,id=card1,bus=bridge4,drive=card1disk,serial=A,logical_block_size=512,physical_block_size=512,addr=0x1.0x0",
			},
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			arguments, err := Machine{Own: own, Seats: []Seat{c.seat}}.Arguments(boot)
			require.NoError(t, err)
			devices := values(arguments, "-device")
			assert.Equal(t, []string{"intel-iommu", "virtio-serial-pci", "virtserialport"},
				[]string{kindOf(devices[0]), kindOf(devices[1]), kindOf(devices[2])}, "the IOMMU has to come first")
			assert.Equal(t, c.want, devices[3:len(devices)-2])
			assert.Contains(t, devices[len(devices)-1], "serial=SYS-0001")
		})
	}
}

func TestArgumentsOfBoot(t *testing.T) {
	with := func(change func(*Boot)) string {
		b := boot
		change(&b)
		arguments, err := Machine{Own: own}.Arguments(b)
		require.NoError(t, err)
		return strings.Join(arguments, " ")
	}
	emulated := with(func(*Boot) {})
	assert.Contains(t, emulated, "-accel tcg")
	assert.Contains(t, emulated, "modprobe.blacklist=kvm_amd,kvm_intel emuhost.own=SYS-0001")
	assert.NotContains(t, emulated, "svm", "max,-svm panics")
	assert.Contains(t, emulated, "-m 2560")
	assert.Contains(t, emulated, "file=/r/own.qcow2")
	assert.NotContains(t, emulated, "virtconsole")

	accelerated := with(func(b *Boot) { b.KVM = true })
	assert.Contains(t, accelerated, "kernel-irqchip=split -accel kvm -cpu host")
	assert.Contains(t, with(func(b *Boot) { b.Terminal = "/r/terminal" }), "virtconsole,bus=channels.0,chardev=terminal")
	assert.Contains(t, with(func(b *Boot) { b.Folder, b.OwnDisk = "/a,b", "/a,b/own" }), "file=/a,,b/own",
		"a comma in a path would begin another setting")
}

func TestDriveFollowsItsCard(t *testing.T) {
	reel := Card{Kind: NVMe, Serial: "RL-4410-0073"}
	before, err := Machine{Own: own, Seats: []Seat{{Cards: []Card{reel}}}}.Arguments(boot)
	require.NoError(t, err)
	after, err := Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: Network}}}, {Cards: []Card{reel}}}}.Arguments(boot)
	require.NoError(t, err)
	for _, arguments := range [][]string{before, after} {
		assert.True(t, slices.ContainsFunc(values(arguments, "-drive"), func(drive string) bool {
			return setting(drive, "file") == "/r/RL-4410-0073.img"
		}), "%q", arguments)
	}
}

func TestCheck(t *testing.T) {
	one := Card{Kind: NVMe, Serial: "A"}
	cases := map[string]struct {
		machine Machine
		want    string
	}{
		"no own drive":      {Machine{}, "own drive: no such kind"},
		"own is no NVMe":    {Machine{Own: Card{Kind: SATA, Serial: "A"}}, "own drive: it has to be an NVMe drive"},
		"empty seat":        {Machine{Own: own, Seats: []Seat{{}}}, "seat 1: it holds no card"},
		"unknown way":       {Machine{Own: own, Seats: []Seat{{Way: "glued", Cards: []Card{one}}}}, `seat 1: no such way "glued"`},
		"nine functions":    {Machine{Own: own, Seats: []Seat{{Way: MultiFunction, Cards: make([]Card, 9)}}}, "9 cards, at most 8 fit"},
		"27 slots":          {Machine{Own: own, Seats: []Seat{{Cards: make([]Card, 27)}}}, "seats take 27 slots, the root bus has 26"},
		"no serial":         {Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: NVMe}}}}}, "seat 1, card 1: serial"},
		"long serial":       {Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: NVMe, Serial: strings.Repeat("x", 21)}}}}}, "seat 1, card 1: serial"},
		"serial with comma": {Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: NVMe, Serial: "a,b"}}}}}, "seat 1, card 1: serial"},
		"odd sector":        {Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: NVMe, Serial: "A", SectorBytes: 1000}}}}}, "sector of 1000 bytes"},
		"SATA with 4096":    {Machine{Own: own, Seats: []Seat{{Cards: []Card{{Kind: SATA, Serial: "A", SectorBytes: 4096}}}}}, "sectors of 512 bytes only"},
		"one disk twice":    {Machine{Own: own, Seats: []Seat{{Cards: []Card{one, one}}}}, `its disk "A" is that of seat 1, card 1`},
		"own disk again":    {Machine{Own: own, Seats: []Seat{{Cards: []Card{own}}}}, `its disk "SYS-0001" is that of own drive`},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			require.ErrorContains(t, c.machine.Check(), c.want)
			_, err := c.machine.Arguments(boot)
			require.ErrorContains(t, err, c.want)
		})
	}
	twins := Machine{Own: own, Seats: []Seat{{Cards: []Card{one, {Kind: NVMe, Serial: "A", Disk: "A-twin"}}}}}
	assert.NoError(t, twins.Check(), "two drives may have one serial")
}

// anyMachine draws a machine that Check accepts.
func anyMachine(t *rapid.T) Machine {
	m := Machine{Own: own, Nodes: rapid.IntRange(0, 2).Draw(t, "nodes")}
	ways := []Way{Alone, SharedSlot, MultiFunction, Switched, Conventional}
	for i := range rapid.IntRange(0, 3).Draw(t, "seats") {
		seat := Seat{Way: rapid.SampledFrom(ways).Draw(t, "way"), Node: rapid.IntRange(0, m.nodes()-1).Draw(t, "node")}
		for k := range rapid.IntRange(1, functions).Draw(t, "cards") {
			card := Card{Kind: rapid.SampledFrom([]Kind{NVMe, SATA, Network, Graphics, Sound, USB}).Draw(t, "kind"), Serial: fmt.Sprintf("S-%d-%d", i, k)}
			switch {
			case card.Kind == SATA && rapid.Bool().Draw(t, "second disk"):
				card.Second = card.Serial + "-2"
			case card.Kind == NVMe && rapid.Bool().Draw(t, "virtual functions"):
				card.Virtual = 2
			}
			seat.Cards = append(seat.Cards, card)
		}
		m.Seats = append(m.Seats, seat)
	}
	return m
}

// What QEMU itself refuses: a name given twice, a bus or drive not declared
// before, a port's chassis and slot twice, an address on one bus twice.
func TestArgumentsHoldTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyMachine(t)
		arguments, err := m.Arguments(boot)
		require.NoError(t, err)
		again, err := m.Arguments(boot)
		require.NoError(t, err)
		require.Equal(t, arguments, again)

		drives := map[string]bool{}
		for _, drive := range values(arguments, "-drive") {
			require.False(t, drives[setting(drive, "id")], drive)
			drives[setting(drive, "id")] = true
		}
		require.Len(t, drives, len(m.Drives())+1)
		known := map[string]bool{"pcie.0": true}
		chassis, places := map[string]bool{}, map[string]bool{}
		for _, device := range values(arguments, "-device") {
			bus, id := setting(device, "bus"), setting(device, "id")
			controller, _, _ := strings.Cut(bus, ".")
			require.True(t, bus == "" || known[controller] || known[bus], device)
			require.False(t, known[id], device)
			known[id] = id != ""
			if drive := setting(device, "drive"); drive != "" {
				require.True(t, drives[drive], device)
				delete(drives, drive)
			}
			if number := setting(device, "chassis"); number != "" {
				require.False(t, chassis[number], device)
				chassis[number] = true
			}
			if place := bus + " " + setting(device, "addr"); setting(device, "addr") != "" {
				require.False(t, places[place], device)
				places[place] = true
			}
		}
		require.Empty(t, drives, "every drive is behind a device")
	})
}
