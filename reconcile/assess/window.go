package assess

import (
	"cmp"
	"slices"

	"lendkeep/reconcile/facts"
)

// OVMF's window for 64-bit regions (edk2 OvmfPkg/Library/PlatformInitLib/
// MemDetect.c): so much where nothing else is said; from edk2-stable202211 on an
// eighth of what the guest can address, where it believes the width that the
// processor says.
const (
	ovmfWindow  = 32 << 30
	ovmfBitsMax = 46
	qemuBits    = 40 // what QEMU says where nobody states a width, whatever the host has (the same source)
)

// window is the room that a guest's firmware makes for 64-bit regions.
type window struct {
	bytes uint64 // in every version
	newer uint64 // from edk2-stable202211 on; never less
	bits  int    // width of the guest's addresses, where it is stated; 0: it is not
}

// windowOf tells the room in a guest of that definition on a machine.
func windowOf(m facts.Machine, a facts.Addressing) window {
	w := window{bytes: ovmfWindow, bits: a.Bits}
	if a.WindowMiB > 0 {
		w.bytes = alignedUp(a.WindowMiB<<20, 1<<30)
	}
	if a.HostBits {
		w.bits = m.AddressBits
	}
	maker := ""
	if a.HostMaker {
		maker = m.CPUMaker
	}
	w.newer = w.bytes
	if bits := cmp.Or(w.bits, qemuBits); believed(bits, maker) {
		w.newer = max(w.newer, 1<<(min(bits, ovmfBitsMax)-3))
	}
	return w
}

// believed tells whether OVMF takes the width that the processor says for true
// (PlatformAddressWidthFromCpuid): QEMU's own default may be more than the host can.
func believed(bits int, maker string) bool {
	switch maker {
	case "GenuineIntel":
		return bits >= 41 || bits == 36 || bits == 39
	case "AuthenticAMD":
		return bits >= 40
	default:
		return bits >= 41
	}
}

// mostRegion bounds what one region is taken for: no processor addresses more
// (52 bits). So the sums of a survey that somebody has made up stay numbers.
const mostRegion = 1 << 52

// roomFor gives the bytes that functions need of a window, and below 4 GiB. What is
// in one function stays together, at a multiple of its largest region, since the
// port above it has one window (PCI-to-PCI Bridge Architecture Specification 1.2,
// 3.2.5.9 and 3.2.5.10); of those that may lie above 4 GiB only prefetchable ones can.
func roomFor(list []*facts.Function) (wide, low uint64) {
	type need struct{ bytes, align uint64 }
	var needs []need
	for _, f := range list {
		var n need
		for _, bar := range f.BARs {
			size := min(bar.SizeBytes, mostRegion)
			switch {
			case bar.IO:
			case bar.Wide && bar.Prefetch:
				n.bytes, n.align = min(n.bytes+size, mostRegion), max(n.align, size)
			default:
				low = min(low+size, mostRegion)
			}
		}
		if n.bytes > 0 {
			needs = append(needs, n)
		}
	}
	slices.SortStableFunc(needs, func(a, b need) int { return cmp.Compare(b.align, a.align) })
	for _, n := range needs {
		wide = min(alignedUp(wide, n.align)+n.bytes, mostRegion)
	}
	return wide, low
}

// ends gives where a window ends that lies above a guest's memory: at a multiple of
// its size, rounded down to a power of two (PlatformGetFirstNonAddress). The hole
// below 4 GiB moves memory up, so it counts from there.
func ends(memoryBytes, window uint64) uint64 {
	return alignedUp(min(memoryBytes, mostRegion)+4<<30, powerBelow(window)) + window
}

// powerBelow gives the largest power of two that is not more, at least 1 GiB.
func powerBelow(n uint64) uint64 {
	power := uint64(1) << 30
	for power<<1 <= n {
		power <<= 1
	}
	return power
}

func alignedUp(n, align uint64) uint64 { return (n + align - 1) / align * align }
