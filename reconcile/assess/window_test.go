package assess

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

// The cases follow PlatformAddressWidthFromCpuid and PlatformDynamicMmioWindow of
// edk2 OvmfPkg/Library/PlatformInitLib/MemDetect.c.
func TestWindowsOfFirmware(t *testing.T) {
	const gib = 1 << 30
	intel := func(bits int) facts.Machine { return facts.Machine{CPUMaker: "GenuineIntel", AddressBits: bits} }
	amd := facts.Machine{CPUMaker: "AuthenticAMD", AddressBits: 48}
	for name, c := range map[string]struct {
		m    facts.Machine
		a    facts.Addressing
		want window
	}{
		"nothing stated":                      {intel(39), facts.Addressing{}, window{32 * gib, 32 * gib, 0}},
		"the host's processor, QEMU's width":  {intel(39), facts.Addressing{HostMaker: true}, window{32 * gib, 32 * gib, 0}},
		"40 bits are true on AMD":             {amd, facts.Addressing{HostMaker: true}, window{32 * gib, 128 * gib, 0}},
		"the host's width":                    {intel(39), facts.Addressing{HostMaker: true, HostBits: true}, window{32 * gib, 64 * gib, 39}},
		"36 bits: an eighth is less":          {intel(36), facts.Addressing{HostMaker: true, HostBits: true}, window{32 * gib, 32 * gib, 36}},
		"a width that is not believed":        {intel(38), facts.Addressing{HostMaker: true, HostBits: true}, window{32 * gib, 32 * gib, 38}},
		"39 bits of nobody knows which maker": {intel(39), facts.Addressing{HostBits: true}, window{32 * gib, 32 * gib, 39}},
		"more than OVMF pages":                {amd, facts.Addressing{HostBits: true}, window{32 * gib, 8192 * gib, 48}},
		"a width that is stated":              {intel(39), facts.Addressing{Bits: 42}, window{32 * gib, 512 * gib, 42}},
		"a window that is stated":             {intel(39), facts.Addressing{WindowMiB: 65000}, window{64 * gib, 64 * gib, 0}},
		"a smaller one than usual":            {intel(39), facts.Addressing{WindowMiB: 1024}, window{gib, gib, 0}},
	} {
		assert.Equal(t, c.want, windowOf(c.m, c.a), name)
	}
}

func TestRoomForRegions(t *testing.T) {
	const gib = 1 << 30
	large := func(sizes ...uint64) *facts.Function {
		f := &facts.Function{}
		for _, size := range sizes {
			f.BARs = append(f.BARs, facts.BAR{SizeBytes: size, Wide: true, Prefetch: true})
		}
		return f
	}
	for name, c := range map[string]struct {
		list      []*facts.Function
		wide, low uint64
	}{
		"one":                     {[]*facts.Function{large(16*gib, 32<<20)}, 16*gib + 32<<20, 0},
		"two of a kind":           {[]*facts.Function{large(16*gib, 32<<20), large(16*gib, 32<<20)}, 48*gib + 32<<20, 0},
		"a small one behind":      {[]*facts.Function{large(1 << 20), large(16 * gib)}, 16*gib + 1<<20, 0},
		"not prefetchable: low":   {[]*facts.Function{{BARs: []facts.BAR{{SizeBytes: 16 << 10, Wide: true}, {SizeBytes: 32, IO: true}}}}, 0, 16 << 10},
		"made-up sizes stay sums": {[]*facts.Function{large(1<<63, 1<<63), large(1 << 63)}, mostRegion, 0},
	} {
		wide, low := roomFor(c.list)
		assert.Equal(t, c.wide, wide, name)
		assert.Equal(t, c.low, low, name)
	}
	assert.Equal(t, uint64(64*gib), ends(8*gib, 32*gib), "8 GiB of memory end at 12, the window begins at 32")
	assert.Equal(t, uint64(96*gib), ends(30*gib, 32*gib))
}
