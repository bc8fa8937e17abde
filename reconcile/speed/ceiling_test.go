package speed

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// PCIE_SPEED2MBS_ENC of Linux 6.8 (drivers/pci/pci.h), in Mb/s, written out; that of
// 64 GT/s leaves the flit's own bytes in. Read of 6.8: until 6.7 it had 128/130 there.
func TestEncodingIsThatOfTheKernel(t *testing.T) {
	kernel := map[int]int{
		64000: 64000 * 1 / 1,
		32000: 32000 * 128 / 130,
		16000: 16000 * 128 / 130,
		8000:  8000 * 128 / 130,
		5000:  5000 * 8 / 10,
		2500:  2500 * 8 / 10,
	}
	assert.Len(t, encoded, len(kernel))
	for speed, want := range kernel {
		ours := float64(speed) * encoded[speed].left
		if speed == 64000 {
			ours *= 256. / 236
		}
		assert.Equal(t, want, int(ours+1e-6), "%d MT/s", speed)
	}
}

// Computed apart from this code by the formula GB/s = GT/8 x lanes x encoding x P/(P+o).
// The overhead of 5 to 7 double words, and payload/(payload + overhead), are those of
// a vendor's application note (AN 690, "Throughput for Posted Writes": 5 for a header
// of 3 double words).
func TestCarried(t *testing.T) {
	for _, c := range []struct {
		speed, width, payload, beside int
		mbs                           float64
	}{
		{2500, 4, 128, 24, 842.1},
		{5000, 4, 256, 24, 1828.6},
		{8000, 4, 128, 24, 3316.6},
		{8000, 4, 256, 24, 3600.9},
		{8000, 4, 512, 24, 3762.1},
		{16000, 4, 256, 24, 7201.8},
		{16000, 4, 512, 24, 7524.2},
		{32000, 4, 512, 24, 15048.5},
		{2500, 1, 128, 20, 216.2},
	} {
		assert.InDelta(t, c.mbs, carried(c.speed, c.width, c.payload, c.beside)/1e6, 0.05, c)
	}
	// A published drive reads 3546 MB/s on 8 GT/s x4: more than packets of 128 bytes
	// carry with a header of 4 double words, and less than those of 256 do.
	assert.Less(t, carried(8000, 4, 128, 24), 3546e6)
	assert.Greater(t, Link{SpeedMTps: 8000, Width: 4}.carries(256), 3546e6)
	for _, l := range []Link{{SpeedMTps: 0, Width: 4}, {SpeedMTps: 8000}, {SpeedMTps: 128000, Width: 4}, {SpeedMTps: 8001, Width: 4}} {
		assert.Zero(t, l.carries(256), "%v is not known", l)
	}
}

func at(text string) facts.Address {
	a, err := facts.ParseAddress(text)
	if err != nil {
		panic(err)
	}
	return a
}

// way gives a drive behind a switch behind a root port, the drive's link at 8 GT/s x4
// and that of the switch as it is told.
func way(speed, width int, change func(f []facts.Function)) *facts.Index {
	port, up, down := at("0000:00:1d.0"), at("0000:03:00.0"), at("0000:04:00.0")
	link := func(speed, width int) *facts.Link {
		return &facts.Link{SpeedMTps: speed, Width: width, MaxSpeedMTps: speed, MaxWidth: width}
	}
	list := []facts.Function{
		{Address: port, DeviceName: "port", PayloadBytes: 256, Link: link(speed, width)},
		{Address: up, DeviceName: "port", Upstream: &port, PayloadBytes: 256, Link: link(speed, width)},
		{Address: down, DeviceName: "port", Upstream: &up, PayloadBytes: 256, Link: link(8000, 4)},
		{Address: at("0000:05:00.0"), Upstream: &down, PayloadBytes: 256, Link: link(8000, 4), NVMe: &facts.NVMe{Model: "Studio", Serial: "S0REEL01"}},
	}
	if change != nil {
		change(list)
	}
	return facts.NewIndex(&facts.Survey{Functions: list})
}

func TestCeiling(t *testing.T) {
	drive := at("0000:05:00.0")
	wide := 8000e6 / 8 * 4 * 128 / 130 * 256 / 276
	for name, c := range map[string]struct {
		speed, width int
		change       func(f []facts.Function)
		rate         float64
		narrowest    string
		bound        float64
		unknown      string
	}{
		"the drive's link":          {16000, 4, nil, wide, "8 GT/s x4 below port at 0000:04:00.0", wide, ""},
		"the switch's link":         {8000, 2, nil, wide / 2, "8 GT/s x2 below port at 0000:00:1d.0", wide / 2, ""},
		"slow and wide":             {2500, 16, nil, wide, "8 GT/s x4 below port at 0000:04:00.0", wide, ""},
		"a tunnel":                  {2500, 1, nil, 2500e6 / 8 * .8 * 256 / 276, "2.5 GT/s x1 below port at 0000:00:1d.0 (it may carry more)", wide, ""},
		"idle":                      {16000, 4, func(f []facts.Function) { f[3].Link.SpeedMTps, f[2].Link.SpeedMTps = 2500, 2500 }, 2500e6 / 8 * 4 * .8 * 256 / 276, "2.5 GT/s x4 below port at 0000:04:00.0 (it may carry more)", 2 * wide, ""},
		"a port that could do more": {16000, 4, func(f []facts.Function) { f[2].Link.MaxSpeedMTps = 16000 }, wide, "8 GT/s x4 below port at 0000:04:00.0", wide, ""},
		"nobody knows what it can":  {16000, 4, func(f []facts.Function) { f[2].Link.MaxSpeedMTps = 0 }, wide, "8 GT/s x4 below port at 0000:04:00.0 (it may carry more)", 2 * wide, ""},
		"ends that disagree":        {16000, 4, func(f []facts.Function) { f[2].Link.Width = 1 }, wide / 4, "8 GT/s x1 below port at 0000:04:00.0", wide / 4, ""},
		"no payload size":           {16000, 4, func(f []facts.Function) { f[1].PayloadBytes = 0 }, 0, "8 GT/s x4 below port at 0000:04:00.0", 0, "how much data a packet may hold was not read of port at 0000:03:00.0"},
		"larger packets at one end": {16000, 4, func(f []facts.Function) { f[0].PayloadBytes = 512 }, wide / 256 * 276 * 512 / 532, "8 GT/s x4 below port at 0000:04:00.0", wide / 256 * 276 * 512 / 532, ""},
		"a link that is not known":  {16000, 4, func(f []facts.Function) { f[3].Link = nil }, 0, "16 GT/s x4 below port at 0000:00:1d.0", 0, "no link of PCI Express that is known at"},
		"a speed that is not known": {128000, 4, nil, 0, "8 GT/s x4 below port at 0000:04:00.0", 0, "no link of PCI Express that is known at"},
		"a port that was not seen":  {16000, 4, func(f []facts.Function) { other := at("0000:77:00.0"); f[1].Upstream = &other }, 0, "8 GT/s x4 below port at 0000:04:00.0", 0, "lacks the port above"},
		"not there":                 {16000, 4, func(f []facts.Function) { f[3].Address = at("0000:06:00.0") }, 0, "", 0, "no function at 0000:05:00.0"},
		"in a loop":                 {16000, 4, func(f []facts.Function) { f[0].Upstream = &f[3].Address }, 0, "8 GT/s x4 below port at 0000:04:00.0", 0, "lacks the port above"},
	} {
		t.Run(name, func(t *testing.T) {
			got := CeilingOf(way(c.speed, c.width, c.change), drive)
			assert.InDelta(t, c.rate, got.Rate, 1)
			assert.InDelta(t, c.bound, got.Bound(), 1)
			if c.unknown == "" {
				assert.Empty(t, got.Unknown)
			} else {
				assert.Contains(t, got.Unknown, c.unknown)
			}
			if c.narrowest != "" {
				assert.Equal(t, c.narrowest, got.Links[got.Narrowest].String())
			} else {
				assert.Negative(t, got.Narrowest)
			}
		})
	}
}

// A virtual function has its parent's link.
func TestCeilingOfVirtualFunction(t *testing.T) {
	parent := at("0000:05:00.0")
	ix := way(8000, 4, func(f []facts.Function) {
		f[2] = facts.Function{Address: at("0000:05:00.1"), Upstream: f[3].Upstream, Parent: &parent, PayloadBytes: 128}
		f[3].Upstream = &f[0].Address
	})
	assert.Equal(t, CeilingOf(ix, parent), CeilingOf(ix, at("0000:05:00.1")))
	assert.Positive(t, CeilingOf(ix, parent).Rate)
}
