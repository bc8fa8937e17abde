// registers: QEMU refuses a controller for where it keeps its interrupt table
// (MSI-X), or a guest reaches its registers only through QEMU.
//
// QEMU puts tables of its own over those of the device. Where table and pending
// bits overlap or reach beyond their region, it refuses the device ("table & pba
// overlap, or they don't fit in BARs", QEMU hw/pci/msix.c, msix_init; for the bits
// also hw/vfio/pci.c, vfio_msix_early_setup, which knows two devices that only say
// so wrongly). The rest of a region the guest reaches directly, but in whole pages:
// what shares a page with the table is slow, as each access goes through QEMU. So is
// a region smaller than a page that shares its page with another device's (Linux
// drivers/vfio/pci/vfio_pci_core.c, vfio_pci_probe_mmaps).
//
// Severity: stop where QEMU refuses it; note where it is slow.
//
// Remedy: have QEMU move the tables to another region (x-msix-relocation). Slow is
// not wrong: measure it before anything is done about it.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

func checkRegisters(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if l.Gap("bars") != nil || l.Gap("msix") != nil {
			continue // gap speaks of it
		}
		if why := tablesRefused(l.Function); why != "" {
			list = append(list, Finding{Severity: l.severity, At: l.at,
				Summary:  shorten("QEMU refuses the tables of " + l.name),
				Detail:   "The guest cannot start with it: " + why + ".",
				Causes:   append(regions([]*facts.Function{l.Function}, func(facts.BAR) bool { return true }), tablesOf(l.Function)),
				Remedies: []string{"have QEMU move them to a region that has room, with the argument x-msix-relocation of its vfio-pci (virsh edit, <qemu:override>)", "lend another controller"}})
			continue
		}
		for _, why := range slowRegisters(l.Function) {
			list = append(list, Finding{Severity: Note, At: l.at,
				Summary:  shorten("registers of " + l.name + " are slow in a guest"),
				Detail:   why + ", so each access of the guest goes through QEMU.",
				Causes:   append(regions([]*facts.Function{l.Function}, func(facts.BAR) bool { return true }), tablesOf(l.Function)),
				Remedies: []string{"leave it, if it is fast enough: measure it in the guest"}})
		}
	}
	return list
}

func tablesOf(f *facts.Function) Cause {
	if f.MSIX == nil {
		return causeOf(f, "config", "no MSI-X")
	}
	return causeOf(f, "config", fmt.Sprintf("MSI-X: %d entries in region %d at 0x%x, pending bits in region %d at 0x%x", f.MSIX.Vectors, f.MSIX.TableBAR, f.MSIX.TableOffset, f.MSIX.PBABAR, f.MSIX.PBAOffset))
}

// pageBytes is the page that VFIO and KVM map in, on x86.
const pageBytes = 4096

// span is a part of a region.
type span struct{ from, to uint64 }

func (s span) meets(other span) bool { return s.from < other.to && other.from < s.to }

// pages gives the whole pages in which a span lies.
func (s span) pages() span { return span{s.from / pageBytes * pageBytes, alignedUp(s.to, pageBytes)} }

// tables gives where the table and its pending bits lie: an entry has 16 bytes, and
// there is a bit for each, in words of 64 (PCI Local Bus Specification 3.0, 6.8.2).
func tables(m *facts.MSIX) (table, pending span) {
	table = span{uint64(m.TableOffset), uint64(m.TableOffset) + uint64(m.Vectors)*16}
	pending = span{uint64(m.PBAOffset), uint64(m.PBAOffset) + alignedUp(uint64(m.Vectors), 64)/8}
	return table, pending
}

// tablesRefused says why QEMU refuses a function's tables; empty where it does not.
func tablesRefused(f *facts.Function) string {
	if f.MSIX == nil {
		return ""
	}
	table, pending := tables(f.MSIX)
	switch {
	case f.Vendor == 0x1425 && f.Device&0xff00 == 0x5800, f.Vendor == 0x1d22 && f.Device == 0x3685:
		pending = table // QEMU knows where the bits of these really are
	case f.MSIX.TableBAR == f.MSIX.PBABAR && table.meets(pending):
		return "its interrupt table and the pending bits overlap"
	}
	for _, part := range []struct {
		what string
		in   int
		span
	}{{"interrupt table", f.MSIX.TableBAR, table}, {"pending bits", f.MSIX.PBABAR, pending}} {
		if size := regionSize(f, part.in); part.to > size {
			return fmt.Sprintf("its %s reach beyond region %d, which has %s", part.what, part.in, facts.Size(size))
		}
	}
	return ""
}

// regionSize gives the size of a region of memory; 0 where there is none.
func regionSize(f *facts.Function, index int) uint64 {
	for _, bar := range f.BARs {
		if bar.Index == index && !bar.IO {
			return bar.SizeBytes
		}
	}
	return 0
}

// doorbells is the page of an NVMe controller in which the doorbells of its queues
// begin: a guest writes one for each command (NVM Express Base Specification, 3.1).
var doorbells = span{0x1000, 0x2000}

// slowRegisters says which registers of a function are slow, each as a sentence
// without its end.
func slowRegisters(f *facts.Function) []string {
	var list []string
	if f.MSIX != nil {
		table, _ := tables(f.MSIX)
		switch size := regionSize(f, f.MSIX.TableBAR); {
		case f.Class == facts.ClassNVMe && f.MSIX.TableBAR == 0 && table.pages().meets(doorbells):
			list = append(list, "Its interrupt table shares a page with the doorbells of its queues")
		case size <= pageBytes && table.to-table.from < size:
			list = append(list, "Its interrupt table shares a page with the rest of its region")
		}
	}
	for _, bar := range f.BARs {
		if !bar.IO && bar.SizeBytes < pageBytes && bar.Start%pageBytes != 0 {
			list = append(list, fmt.Sprintf("Its region %d shares a page with another device's", bar.Index))
		}
	}
	return list
}
