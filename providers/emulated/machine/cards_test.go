package machine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The devices are those that were measured with QEMU 7.2, word for word.
func TestArgumentsOfEachKind(t *testing.T) {
	port := "pcie-root-port,id=port1,bus=pcie.0,addr=0x4.0x0,chassis=1,slot=1"
	const sectors = "logical_block_size=512,physical_block_size=512"
	cases := map[string]struct {
		seat  Seat
		want  []string
		files []string
	}{
		"graphics with sound": {
			Seat{Way: MultiFunction, Cards: []Card{{Kind: Graphics}, {Kind: Sound}}},
			[]string{port,
				"bochs-display,id=card1,bus=port1,addr=0x0.0x0,multifunction=on",
				"ich9-intel-hda,id=card2,bus=port1,addr=0x0.0x1,multifunction=off",
				"hda-output,bus=card2.0,audiodev=card2quiet",
			}, nil,
		},
		"USB": {
			Seat{Cards: []Card{{Kind: USB, Serial: "A"}}},
			[]string{port,
				"qemu-xhci,id=card1,bus=port1,addr=0x0",
				"usb-storage,bus=card1.0,port=1,drive=card1disk,serial=A," + sectors,
				"usb-kbd,bus=card1.0,port=2",
				"usb-tablet,bus=card1.0,port=3",
			}, []string{"/r/A.img"},
		},
		"SATA with two disks": {
			Seat{Cards: []Card{{Kind: SATA, Serial: "A", Disk: "first", Second: "B"}}},
			[]string{port,
				"ich9-ahci,id=card1,bus=port1,addr=0x0",
				"ide-hd,bus=card1.0,drive=card1disk,serial=A," + sectors,
				"ide-hd,bus=card1.1,drive=card1-2disk,serial=B," + sectors,
			}, []string{"/r/first.img", "/r/B.img"},
		},
		"NVMe with virtual functions": {
			Seat{Cards: []Card{{Kind: NVMe, Serial: "A", Virtual: 2}}},
			[]string{port,
				"nvme-subsys,id=card1subsystem,nqn=A",
				"nvme,id=card1,bus=port1,serial=A,subsys=card1subsystem,sriov_max_vfs=2,sriov_vq_flexible=4,sriov_vi_flexible=2,addr=0x0",
				"nvme-ns,bus=card1,drive=card1disk,nsid=1," + sectors,
			}, []string{"/r/A.img"},
		},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			arguments, err := Machine{Own: own, Seats: []Seat{c.seat}}.Arguments(boot)
			require.NoError(t, err)
			devices, drives := values(arguments, "-device"), values(arguments, "-drive")
			assert.Equal(t, c.want, devices[3:len(devices)-2])
			var files []string
			for _, drive := range drives[:len(drives)-1] {
				files = append(files, setting(drive, "file"))
			}
			assert.Equal(t, c.files, files)
			for _, device := range devices {
				if sound := setting(device, "audiodev"); sound != "" {
					assert.Equal(t, []string{"none,id=" + sound}, values(arguments, "-audiodev"))
				}
			}
		})
	}
}

// Two nodes share CPUs and memory, and seats of the second are on its root bus; what
// is not on it sits where it would without it.
func TestArgumentsOfNodes(t *testing.T) {
	near, far := Seat{Cards: []Card{{Kind: NVMe, Serial: "A"}}}, Seat{Node: 1, Cards: []Card{{Kind: NVMe, Serial: "B"}}}
	arguments, err := Machine{Own: own, CPUs: 4, Nodes: 2, Seats: []Seat{far, near}}.Arguments(boot)
	require.NoError(t, err)
	assert.Equal(t, []string{"4,sockets=2"}, values(arguments, "-smp"))
	assert.Equal(t, []string{"2560"}, values(arguments, "-m"))
	assert.Equal(t, []string{"memory-backend-ram,id=memory0,size=1280M", "memory-backend-ram,id=memory1,size=1280M"}, values(arguments, "-object"))
	assert.Equal(t, []string{"node,nodeid=0,memdev=memory0,cpus=0-1", "node,nodeid=1,memdev=memory1,cpus=2-3"}, values(arguments, "-numa"))
	var buses []string
	for _, device := range values(arguments, "-device") {
		switch kindOf(device) {
		case "pxb-pcie":
			assert.Equal(t, "pxb-pcie,id=far,bus=pcie.0,addr=0x2.0x0,bus_nr=128,numa_node=1", device)
			assert.Empty(t, buses, "the bus comes before what is on it")
		case "pcie-root-port":
			buses = append(buses, setting(device, "bus"))
		}
	}
	assert.Equal(t, []string{"far", "pcie.0", "pcie.0"}, buses, "the seats' ports, and the own drive's")

	arguments, err = Machine{Own: own, Seats: []Seat{near}}.Arguments(boot)
	require.NoError(t, err)
	assert.Empty(t, values(arguments, "-numa"))
	assert.NotContains(t, strings.Join(arguments, " "), "pxb")
}

func TestCheckOfKinds(t *testing.T) {
	with := func(card Card) Machine { return Machine{Own: own, Seats: []Seat{{Cards: []Card{card}}}} }
	for name, c := range map[string]struct {
		machine Machine
		want    string
	}{
		"stick without a serial":       {with(Card{Kind: USB}), "seat 1, card 1: serial"},
		"second disk of NVMe":          {with(Card{Kind: NVMe, Serial: "A", Second: "B"}), "only a SATA card has one"},
		"second disk of a sound card":  {with(Card{Kind: Sound, Second: "B"}), "only a SATA card has one"},
		"odd second disk":              {with(Card{Kind: SATA, Serial: "A", Second: "b,c"}), `second disk "b,c"`},
		"both disks one":               {with(Card{Kind: SATA, Serial: "A", Second: "A"}), `its disk "A" is that of seat 1, card 1`},
		"virtual functions of SATA":    {with(Card{Kind: SATA, Serial: "A", Virtual: 1}), "1 virtual functions"},
		"too many virtual functions":   {with(Card{Kind: NVMe, Serial: "A", Virtual: 32}), "32 virtual functions"},
		"three nodes":                  {Machine{Own: own, CPUs: 3, MemoryMiB: 3072, Nodes: 3}, "3 nodes: at most 2"},
		"a CPU too many for two nodes": {Machine{Own: own, CPUs: 3, Nodes: 2}, "equal shares of 3 CPUs"},
		"a node that is not there":     {Machine{Own: own, Seats: []Seat{{Node: 1, Cards: []Card{{Kind: Network}}}}}, "seat 1: no node 1, the machine has 1"},
		"a node below zero":            {Machine{Own: own, Seats: []Seat{{Node: -1, Cards: []Card{{Kind: Network}}}}}, "seat 1: no node -1"},
	} {
		t.Run(name, func(t *testing.T) { require.ErrorContains(t, c.machine.Check(), c.want) })
	}
	assert.NoError(t, Larch().Check())
	assert.NoError(t, Assorted().Check())
}
