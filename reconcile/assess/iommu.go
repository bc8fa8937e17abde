// iommu: the host has no IOMMU in use, a controller is in no group of one, or the
// IOMMU leaves interrupts of lent devices unchecked.
//
// Without an IOMMU the kernel lends no PCI function: a guest's device could write
// anywhere in the host's memory (Linux Documentation/driver-api/vfio.rst). Whose it
// is the names below /sys/class/iommu tell: dmar0 and so on are Intel's (VT-d), ivhd0
// AMD's (AMD-Vi), smmu3 Arm's. Where none is in use, the table in which the firmware
// describes it (DMAR, IVRS, IORT, below /sys/firmware/acpi/tables) tells whether the
// firmware or the kernel has it switched off. iommu=pt is no fault and no need: it
// concerns devices that stay with the host.
//
// Without interrupt remapping a device can raise any interrupt of the host, so the
// kernel refuses it ("No interrupt remapping support", Linux
// drivers/vfio/vfio_iommu_type1.c), unless allow_unsafe_interrupts says that this is
// wanted. Intel's units say whether they can (bit 3 of intel-iommu/ecap); of others
// only the kernel's command line is known.
//
// Severity: stop where it cannot be lent; caution where interrupts are unchecked and
// the host allows that.
//
// Remedy: switch the IOMMU on in the firmware setup (VT-d, AMD-Vi, SMMU), by the
// board's manual, and on Intel processors add `intel_iommu=on` to the kernel's
// command line. A card outside of every group needs another slot.
package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

func checkIOMMU(c *Case) []Finding {
	borrowed := c.borrowed()
	if len(borrowed) == 0 {
		return nil
	}
	machine, says := c.Facts.Survey.Machine, c.Facts.Survey.Libvirt.IOMMU
	if machine.IOMMUs == 0 || says != nil && !*says {
		return []Finding{{Severity: Stop, At: c.Layout.Host.At,
			Summary:  "the host has no IOMMU in use",
			Detail:   "No controller can be lent: libvirt answers \"host doesn't support passthrough of host PCI devices\".",
			Causes:   []Cause{{"/sys/class/iommu", unitsOf(machine)}, {"/sys/firmware/acpi/tables", cmp.Or(machine.DMATable, "no DMAR, IVRS or IORT seen")}, {"/proc/cmdline", machine.CommandLine}},
			Remedies: switchOn(machine),
		}}
	}
	list := c.unchecked(machine)
	for _, found := range parts(borrowed) {
		if f := found.Function; f.Group == nil && f.Gap("group") == nil {
			list = append(list, Finding{Severity: Stop, At: found.Controller.At,
				Summary:  "controller " + found.Controller.Name + " is in no IOMMU group",
				Detail:   f.Title() + " is behind no IOMMU unit, so the kernel cannot lend it.",
				Causes:   []Cause{causeOf(f, "iommu_group", "(absent)")},
				Remedies: []string{"move the card to another slot", "see the board's manual for which slots the IOMMU covers"},
			})
		}
	}
	return list
}

// switchOn says how to get an IOMMU into use, by what the kernel and the firmware
// were told: what is not known is named for all makers.
func switchOn(m facts.Machine) []string {
	var list []string
	for _, name := range []string{"intel_iommu", "amd_iommu", "iommu"} {
		if slices.ContainsFunc(m.Parameter(name), func(value string) bool { return slices.Contains(strings.Split(value, ","), "off") }) {
			list = append(list, "take "+name+"=off off the kernel's command line")
		}
	}
	const intel = "on Intel processors add intel_iommu=on to the kernel's command line"
	switch name := firmwareName(m); {
	case m.DMATable == "DMAR":
		return append(list, "add intel_iommu=on to the kernel's command line: the firmware has VT-d on")
	case m.DMATable != "":
		return append(list, fmt.Sprintf("see why the kernel does not use it, since the firmware describes one (%s): dmesg, and the search words AMD-Vi, SMMU, iommu", m.DMATable))
	case name != "":
		list = append(list, "switch the IOMMU on in the firmware setup ("+name+"), by the board's manual")
	default:
		list = append(list, "switch the IOMMU on in the firmware setup (VT-d, AMD-Vi, SMMU), by the board's manual")
	}
	if m.CPUMaker == "" || m.CPUMaker == "GenuineIntel" {
		list = append(list, intel)
	}
	return list
}

// firmwareName is what setups of that maker's boards call it; empty where the maker
// is not known.
func firmwareName(m facts.Machine) string {
	return map[string]string{"GenuineIntel": "VT-d", "AuthenticAMD": "AMD-Vi or IOMMU", "HygonGenuine": "AMD-Vi or IOMMU"}[m.CPUMaker]
}

// unitsOf names the units, and whose they are.
func unitsOf(m facts.Machine) string {
	words := plain.Count(m.IOMMUs, "unit")
	for i, u := range m.Units {
		words += []string{": ", ", "}[min(i, 1)] + u.Name
		if maker := u.Maker(); maker != "" {
			words += " of " + maker
		}
	}
	return words
}

// unremapped tells whether the kernel's command line says that interrupts are not
// remapped; of several words the last counts (Linux 6.1 drivers/iommu/irq_remapping.c,
// setup_irqremap, setup_nointremap).
func unremapped(m facts.Machine) bool {
	off := len(m.Parameter("nointremap")) > 0
	for _, given := range m.Parameter("intremap") {
		for word := range strings.SplitSeq(given, ",") {
			switch word {
			case "on":
				off = false
			case "off":
				off = true
			}
		}
	}
	return off
}

// unchecked tells where interrupts of lent devices are not remapped.
func (c *Case) unchecked(m facts.Machine) []Finding {
	var causes []Cause
	for _, u := range m.Units {
		if u.Remaps() == facts.Absent {
			causes = append(causes, Cause{"/sys/class/iommu/" + u.Name + "/intel-iommu/ecap", fmt.Sprintf("%x: no interrupt remapping", u.Extended)})
		}
	}
	if unremapped(m) {
		causes = append(causes, Cause{"/proc/cmdline", m.CommandLine})
	}
	if len(causes) == 0 {
		return nil
	}
	f := Finding{Severity: Stop, At: c.Layout.Host.At,
		Summary:  "the host does not remap interrupts",
		Detail:   "The kernel refuses to lend anything, since a guest's device could raise any interrupt of the host: QEMU says \"Operation not permitted\".",
		Causes:   causes,
		Remedies: []string{"switch interrupt remapping on: in the firmware setup, and no intremap=off on the kernel's command line", "lend nothing on this host"},
	}
	if s, ok := m.Setting("vfio_iommu_type1.allow_unsafe_interrupts"); ok && s.On() {
		f.Severity = Caution
		f.Summary = "a guest can raise interrupts of the host"
		f.Detail = "The host does not remap interrupts and allows to lend all the same. Whoever controls a guest can make its device raise any interrupt of the host."
		f.Causes = append(f.Causes, Cause{s.From, s.Name + " " + cmp.Or(s.Value, "(given)")})
	}
	return []Finding{f}
}
