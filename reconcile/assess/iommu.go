// iommu: the host has no IOMMU in use, or a controller is in no group of one.
// Without it the kernel lends no PCI function: a guest's device could write
// anywhere in the host's memory (Linux Documentation/driver-api/vfio.rst).
//
// Severity: stop.
//
// Remedy: switch the IOMMU on in the firmware setup (VT-d, AMD-Vi), by the
// board's manual, and on Intel processors add `intel_iommu=on` to the kernel's
// command line. A card outside of every group needs another slot.
package assess

import "lendkeep/spec/plain"

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
			Causes:   []Cause{{"/sys/class/iommu", plain.Count(machine.IOMMUs, "unit")}, {"/proc/cmdline", machine.CommandLine}},
			Remedies: []string{"switch the IOMMU on in the firmware setup (VT-d, AMD-Vi), by the board's manual", "on Intel processors add intel_iommu=on to the kernel's command line"},
		}}
	}
	var list []Finding
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
