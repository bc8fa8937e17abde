// aperture: the memory regions (BARs) of all that a guest borrows may find no
// place among the guest's addresses.
//
// The guest's firmware gives each region an address. OVMF keeps 32 GiB for large
// ones (64-bit, prefetchable), or as much as `opt/ovmf/X-PciMmio64Mb` says; from
// edk2-stable202211 on an eighth of what the guest can address, where the width of
// its addresses is stated or can be believed: 41 bits or more, 36 or 39 on Intel, 40
// on AMD (edk2 OvmfPkg/Library/PlatformInitLib/MemDetect.c). QEMU says 40 where
// nobody states it. A graphics card whose regions were made large (resizable BAR)
// may need all of that. Regions that are not 64-bit and prefetchable must lie below
// 4 GiB, in less than 1 GiB on q35 and half of that on i440fx (from memory). What
// has no place does not work: the guest starts, its driver fails.
//
// All of a guest's memory must also lie within what the host's IOMMU translates; else
// the kernel maps none of it ("iommu width (39) is not sufficient for the mapped
// address", Linux 6.1 drivers/iommu/intel/iommu.c). Only Intel's units say how many
// bits that is.
//
// Severity: stop where no IOMMU unit reaches the guest's memory, and the order would
// start it; caution; note where only newer firmware has the room.
//
// Remedy: give the guest the host's width of addresses, tell OVMF how much to keep,
// or make the regions smaller before they are lent.
package assess

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkAperture(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		d := c.willHave(g)
		if g.Retired || d == nil || len(d.Hostdevs) == 0 {
			continue
		}
		var lent []*facts.Function
		for _, l := range d.Hostdevs {
			if f := c.Facts.Function(l.Address); f != nil {
				lent = append(lent, f)
			}
		}
		list = append(list, c.apertureOf(g, d, lent)...)
	}
	return list
}

// lowRoom is what there is below 4 GiB, at most (from memory).
func lowRoom(machine string) uint64 {
	if family(machine) == "q35" {
		return 1 << 30
	}
	return 512 << 20
}

// family gives what a machine is of, for people too: "pc-q35-7.2" is a q35.
func family(machine string) string {
	if strings.Contains(machine, "q35") {
		return "q35"
	}
	return cmp.Or(machine, "not stated")
}

func (c *Case) apertureOf(g *spec.Guest, d *facts.Definition, lent []*facts.Function) []Finding {
	if !slices.Contains([]string{"", "x86_64", "i686"}, d.Boot.Architecture) {
		return nil // others have no such hole, and a window of hundreds of GiB
	}
	var list []Finding
	if f, bad := c.beyondIOMMU(g, d); bad {
		list = append(list, f)
	}
	wide, low := roomFor(lent)
	if room := lowRoom(d.Boot.Machine); low > room {
		list = append(list, Finding{Severity: Caution, At: g.At,
			Summary:  shorten("guest " + g.Name + " may lack room below 4 GiB"),
			Detail:   fmt.Sprintf("The regions of what it borrows that must lie there need %s; a guest of machine %s has less than %s.", facts.Size(low), family(d.Boot.Machine), facts.Size(room)),
			Causes:   regions(lent, func(b facts.BAR) bool { return !b.IO && !(b.Wide && b.Prefetch) }),
			Remedies: []string{"try it while nothing of value is on it", "spread them over several guests"}})
	}
	w := windowOf(c.Facts.Survey.Machine, d.Addressing)
	large := regions(lent, func(b facts.BAR) bool { return b.Wide && b.Prefetch })
	if wide > 0 && w.bits > 0 && ends(d.MemoryBytes, max(wide, 1<<30)) > 1<<min(w.bits, 63) {
		list = append(list, Finding{Severity: Caution, At: g.At,
			Summary:  shorten("guest " + g.Name + " cannot address what it borrows"),
			Detail:   fmt.Sprintf("Above its %s of memory the large regions, which need %s, end beyond what %d bits address.", facts.Size(d.MemoryBytes), facts.Size(wide), w.bits),
			Causes:   large,
			Remedies: append(wider(g), smaller(lent)...)})
		return list
	}
	if wide <= w.bytes || d.Boot.Firmware == "bios" { // a BIOS makes its window as large as is needed (from memory)
		return list
	}
	f := Finding{Severity: Caution, At: g.At, Causes: large,
		Summary: shorten("guest " + g.Name + " may lack room for large regions"),
		Detail:  fmt.Sprintf("The large regions of what it borrows need %s; its firmware keeps %s for them.", facts.Size(wide), facts.Size(w.newer)),
		Remedies: append(append(wider(g), fmt.Sprintf("tell OVMF to keep more, in <sysinfo type='fwcfg'>: <entry name='opt/ovmf/X-PciMmio64Mb'>%d</entry>", uint64(1)<<bits.Len64((wide-1)>>20))),
			smaller(lent)...)}
	if wide <= w.newer {
		f.Severity = Note
		f.Summary = shorten("guest " + g.Name + " needs firmware with a large window")
		f.Detail = fmt.Sprintf("The large regions of what it borrows need %s. Firmware from edk2-stable202211 on keeps %s for them, an older one %s.", facts.Size(wide), facts.Size(w.newer), facts.Size(w.bytes))
	}
	return append(list, f)
}

// beyondIOMMU tells of a guest with more memory than an IOMMU unit translates. Which
// unit is before a device is not known.
func (c *Case) beyondIOMMU(g *spec.Guest, d *facts.Definition) (Finding, bool) {
	f := Finding{Severity: c.severityOf(g), At: g.At,
		Summary:  shorten("guest " + g.Name + " has more than the IOMMU addresses"),
		Remedies: []string{"give it less memory"}}
	least := 0
	for _, u := range c.Facts.Survey.Machine.Units {
		width := u.Bits()
		if width == 0 || d.MemoryBytes <= 1<<min(width, 63) {
			f.Severity = Caution // another may be before it
			continue
		}
		least = width
		f.Causes = append(f.Causes, Cause{"/sys/class/iommu/" + u.Name + "/intel-iommu/cap", fmt.Sprintf("%x: it translates %d bits", u.Cap, width)})
	}
	f.Detail = fmt.Sprintf("Its devices must reach all of its %s, and the host's IOMMU translates %d bits: it cannot start.", facts.Size(d.MemoryBytes), least)
	return f, len(f.Causes) > 0
}

func wider(g *spec.Guest) []string {
	return []string{"give it the host's width, in its <cpu>: <maxphysaddr mode='passthrough'/> (virsh edit " + plain.Quoted(g.Name) + ")"}
}

// smaller names the regions that can be made smaller.
func smaller(lent []*facts.Function) []string {
	var list []string
	for _, f := range lent {
		for _, bar := range f.BARs {
			if least := bits.TrailingZeros64(bar.Sizes); bar.Sizes != 0 && bar.SizeBytes > 1<<20<<least {
				list = append(list, fmt.Sprintf("make region %d of %s smaller while no driver has it, to 2^%d MiB at the least: echo %d > /sys/bus/pci/devices/%s/resource%d_resize",
					bar.Index, f.Title(), least, least, f.Address, bar.Index))
			}
		}
	}
	return list
}

// regions states those that count.
func regions(lent []*facts.Function, counts func(facts.BAR) bool) []Cause {
	var list []Cause
	for _, f := range lent {
		for _, bar := range f.BARs {
			if counts(bar) {
				list = append(list, causeOf(f, "resource", fmt.Sprintf("%s, region %d: %s", f.Title(), bar.Index, facts.Size(bar.SizeBytes))))
			}
		}
	}
	return list
}
