package twin_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
	"lendkeep/spec/pci"
)

// tree puts the functions of a host together, with what is above each.
type tree struct{ survey facts.Survey }

func newTree() *tree {
	return &tree{facts.Survey{Format: facts.Format, Machine: facts.Machine{Name: "larch", Kernel: "6.1.0", MemoryBytes: 16 << 30, CPUs: 8, IOMMUs: 1}}}
}

// add adds a function; a group of -1 is none.
func (h *tree) add(at string, class uint32, group int, driver, above string) *facts.Function {
	address, err := facts.ParseAddress(at)
	if err != nil {
		panic(err) // a mistake in a test's own input
	}
	f := facts.Function{Address: address, Vendor: 0x1b36, Device: pci.ID(class >> 8), Class: class, Driver: driver, NUMANode: -1}
	if group >= 0 {
		f.Group = &group
	}
	if class == 0x060400 {
		f.HeaderType = 1
	}
	if above != "" {
		upstream, err := facts.ParseAddress(above)
		if err != nil {
			panic(err)
		}
		f.Upstream = &upstream
	}
	h.survey.Functions = append(h.survey.Functions, f)
	return &h.survey.Functions[len(h.survey.Functions)-1]
}

// Hosts as people have them keep their shape: common practice of their makers, from
// memory.
func TestUsualShapesAreKept(t *testing.T) {
	for name, c := range map[string]struct {
		build func(*tree)
		moved []string // functions that have another address
		ports bool     // ports are lost
	}{
		"a graphics card below a port without ACS": {func(h *tree) {
			h.add("0000:00:01.0", 0x060400, 1, "pcieport", "")
			h.add("0000:01:00.0", 0x030000, 1, "nouveau", "0000:00:01.0")
			h.add("0000:01:00.1", 0x040300, 1, "snd_hda_intel", "0000:00:01.0")
			h.add("0000:00:14.0", 0x0c0330, 2, "xhci_hcd", "")
			h.add("0000:00:1f.0", 0x060100, 3, "", "")
			h.add("0000:00:1f.3", 0x040300, 3, "snd_hda_intel", "")
			h.add("0000:00:1f.4", 0x0c0500, 3, "i801_smbus", "")
		}, []string{"0000:00:1f.0", "0000:00:1f.3", "0000:00:1f.4"}, false},
		"a chipset's switch, of which all is one group": {func(h *tree) {
			h.add("0000:00:02.0", 0x060400, 2, "pcieport", "")
			h.add("0000:01:00.0", 0x060400, 2, "pcieport", "0000:00:02.0")
			h.add("0000:02:00.0", 0x060400, 2, "pcieport", "0000:01:00.0")
			h.add("0000:02:08.0", 0x060400, 2, "pcieport", "0000:01:00.0")
			h.add("0000:03:00.0", 0x010802, 2, "", "0000:02:00.0")
			h.add("0000:04:00.0", 0x020000, 2, "igc", "0000:02:08.0")
		}, nil, false},
		"a chipset of which the switch is one function": {func(h *tree) {
			h.add("0000:00:02.0", 0x060000, 1, "", "")
			h.add("0000:00:02.1", 0x060400, 2, "pcieport", "")
			h.add("0000:01:00.0", 0x0c0330, 3, "xhci_hcd", "0000:00:02.1")
			h.add("0000:01:00.1", 0x010601, 3, "ahci", "0000:00:02.1")
			h.add("0000:01:00.2", 0x060400, 3, "pcieport", "0000:00:02.1")
			h.add("0000:02:00.0", 0x060400, 3, "pcieport", "0000:01:00.2")
			h.add("0000:03:00.0", 0x010802, 3, "", "0000:02:00.0")
		}, nil, false},
		"a switch with ACS, a group for each card": {func(h *tree) {
			h.add("0000:00:02.0", 0x060400, 2, "pcieport", "")
			h.add("0000:01:00.0", 0x060400, 3, "pcieport", "0000:00:02.0")
			h.add("0000:02:00.0", 0x060400, 4, "pcieport", "0000:01:00.0")
			h.add("0000:02:01.0", 0x060400, 5, "pcieport", "0000:01:00.0")
			h.add("0000:03:00.0", 0x010802, 6, "", "0000:02:00.0")
			h.add("0000:04:00.0", 0x010802, 7, "", "0000:02:01.0")
		}, nil, false},
		"several roots": {func(h *tree) {
			for i, bus := range []string{"00", "40", "80"} {
				h.add("0000:"+bus+":01.0", 0x060000, 10*i, "", "")
				h.add("0000:"+bus+":01.1", 0x060400, 10*i+1, "pcieport", "")
				f := h.add(fmt.Sprintf("0000:%s:00.0", []string{"01", "41", "81"}[i]), 0x010802, 10*i+2, "", "0000:"+bus+":01.1")
				f.NUMANode = i / 2
			}
		}, []string{"0000:41:00.0", "0000:81:00.0"}, false}, // a port stands for each host bridge, and takes a bus
		"a conventional bridge": {func(h *tree) {
			h.add("0000:00:1c.0", 0x060400, 2, "pcieport", "")
			h.add("0000:01:00.0", 0x060400, 3, "", "0000:00:1c.0")
			h.add("0000:02:01.0", 0x040300, 3, "", "0000:01:00.0")
			h.add("0000:02:02.0", 0x020000, 3, "e1000", "0000:01:00.0")
		}, nil, false},
		"functions of one card, each alone": {func(h *tree) { // QEMU cannot
			h.add("0000:00:01.0", 0x060400, 1, "pcieport", "")
			h.add("0000:01:00.0", 0x020000, 2, "igb", "0000:00:01.0")
			h.add("0000:01:00.1", 0x020000, 3, "igb", "0000:00:01.0")
		}, []string{"0000:01:00.1"}, true},
		"no host bridge at all, and an endpoint there": {func(h *tree) {
			h.add("0000:00:00.0", 0x010802, 1, "", "")
		}, []string{"0000:00:00.0"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			h := newTree()
			c.build(h)
			m := twin.Of(h.survey)
			holds(t, h.survey, m)
			assert.Equal(t, c.moved, said(m, "address"))
			assert.Equal(t, c.ports, len(said(m, "function")) > 0)
		})
	}
}

// Whatever is above each other, in whatever groups: each function is in the machine
// or told, and groups keep their members.
func TestTwinsOfAnyShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := growing{t: t, h: newTree(), bus: 1}
		g.h.survey.Machine.IOMMUs = rapid.IntRange(0, 2).Draw(t, "iommus")
		for range rapid.IntRange(0, 6).Draw(t, "slots") {
			g.slot(0, "", rapid.IntRange(0, 31).Draw(t, "slot"), 3)
		}
		for range rapid.IntRange(0, 2).Draw(t, "more roots") {
			root := rapid.SampledFrom([]int{64, 128, 255}).Draw(t, "root")
			g.slot(root, "", rapid.IntRange(0, 31).Draw(t, "slot"), 2)
		}
		require.NoError(t, sound(g.h.survey))
		holds(t, g.h.survey, twin.Of(g.h.survey))
	})
}

// growing draws a tree of functions.
type growing struct {
	t     *rapid.T
	h     *tree
	bus   int // the next number
	taken map[string]bool
}

func (g *growing) slot(bus int, above string, slot, depth int) {
	for function := range rapid.IntRange(1, 3).Draw(g.t, "functions") {
		at := fmt.Sprintf("0000:%02x:%02x.%d", bus, slot, function)
		if g.taken[at] {
			return
		}
		if g.taken == nil {
			g.taken = map[string]bool{}
		}
		g.taken[at] = true
		class := rapid.SampledFrom([]uint32{0x060400, 0x060400, 0x010802, 0x010601, 0x0c0330, 0x020000, 0x030000, 0x078000, 0x060000, 0x060100, 0x0c0500}).Draw(g.t, "class")
		if depth == 0 {
			class = 0x010802
		}
		driver := rapid.SampledFrom([]string{"", "vfio-pci", "nvme", "pcieport", "pci-stub", "other-vfio"}).Draw(g.t, "driver")
		f := g.h.add(at, class, rapid.IntRange(-1, 5).Draw(g.t, "group"), driver, above)
		f.NUMANode = rapid.IntRange(-1, 5).Draw(g.t, "node")
		if class == 0x060400 && g.bus < 60 {
			secondary := g.bus
			g.bus++
			for range rapid.IntRange(0, 3).Draw(g.t, "below") {
				g.slot(secondary, at, rapid.IntRange(0, 2).Draw(g.t, "slot below"), depth-1)
			}
		}
	}
}

// sound tells whether a survey is one that Decode takes.
func sound(s facts.Survey) error {
	var text bytesOf
	if err := s.Encode(&text); err != nil {
		return err
	}
	_, err := facts.Decode(text)
	return err
}

type bytesOf []byte

func (b *bytesOf) Write(p []byte) (int, error) {
	*b = append(*b, p...)
	return len(p), nil
}
