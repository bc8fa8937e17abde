// acs: why a controller shares its IOMMU group with others, or why the groups are
// not to be trusted.
//
// A port or a card that keeps what is below it, or its functions, from reaching each
// other says so by Access Control Services (ACS, PCI Express Base Specification, 6.12).
// Without them the kernel joins all of it in one group (Linux drivers/iommu/iommu.c,
// pci_device_group), unless its own table says that the hardware does it silently
// (drivers/pci/quirks.c, pci_dev_acs_enabled). Words on the kernel's command line
// switch ACS off for chosen ports (pci=disable_acs_redir=, pci=config_acs=). Some
// patched kernels split groups by pcie_acs_override although nothing keeps their
// members apart: then a guest's device can reach another's, past the IOMMU.
//
// Severity: caution where groups may be split by hand; note where others share the
// group.
//
// Remedy: lend what shares a group to one guest, or move the card below a port with
// ACS. Take pcie_acs_override off the command line, at least where guests are not
// your own.
package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/quirks"
)

func checkACS(c *Case) []Finding {
	list := c.splitByHand()
	for _, l := range c.loans() {
		first := slices.IndexFunc(l.own, func(f *facts.Function) bool { return sameGroup(f, l.Function) })
		if first < 0 || l.own[first] != l.Function {
			continue // in no group, or in that of a function before
		}
		if f, bad := c.joined(l); bad {
			list = append(list, f)
		}
	}
	return list
}

// splitByHand tells of groups that a patched kernel splits, and which ports do not say
// that they keep apart what is in different groups.
func (c *Case) splitByHand() []Finding {
	machine := c.Facts.Survey.Machine
	given := machine.Parameter("pcie_acs_override")
	if len(given) == 0 || !c.Lends() {
		return nil
	}
	causes := []Cause{{"/proc/cmdline", "pcie_acs_override=" + strings.Join(given, " ")}}
	seen := map[facts.Address]bool{}
	for _, l := range c.loans() {
		for _, port := range c.Facts.Upstream(l.Address) {
			if !seen[port.Address] && port.Apart() != facts.Present && !sameGroup(port, l.Function) {
				seen[port.Address] = true
				causes = append(causes, whyNotApart(port))
			}
		}
	}
	return []Finding{{Severity: Caution, At: c.Layout.Host.At,
		Summary:  "IOMMU groups may be split by hand",
		Detail:   "The kernel's command line has pcie_acs_override, which patched kernels take: members of different groups may reach each other then, past the IOMMU. What lendkeep says of groups rests on them.",
		Causes:   causes,
		Remedies: []string{"take pcie_acs_override off the kernel's command line, and check again", "lend only to guests that are as much yours as the host"}}}
}

// joined tells what joins a controller to others of its group that do not go along.
func (c *Case) joined(l loan) (Finding, bool) {
	stays := func(f *facts.Function) bool {
		return !f.Bridge() && !l.along[f.Address] && !slices.Contains(l.own, f)
	}
	if !slices.ContainsFunc(c.Facts.Group(*l.Group), stays) {
		return Finding{}, false
	}
	joining := c.Facts.Joining(l.Function)
	if len(joining) == 0 {
		return Finding{}, false
	}
	finding := Finding{Severity: Note, At: l.at,
		Summary:  shorten(fmt.Sprintf("what joins the group of %s: %s", l.name, joining[0].Address)),
		Detail:   whyJoined(l.Function, joining[0]),
		Remedies: []string{"lend what shares the group to one guest", "see whether the firmware's setup can switch ACS on, by the board's manual", "move the card below a port with ACS; work for a powered-off, unplugged machine, by its maker's manual"}}
	for _, one := range joining {
		finding.Causes = append(finding.Causes, whyNotApart(one))
	}
	for _, given := range c.Facts.Survey.Machine.Parameter("pci") {
		if strings.Contains(given, "disable_acs_redir=") || strings.Contains(given, "config_acs=") {
			finding.Causes = append(finding.Causes, Cause{"/proc/cmdline", "pci=" + given})
			finding.Remedies = slices.Insert(finding.Remedies, 0, "see whether the kernel's command line switches ACS off")
		}
	}
	return finding, true
}

func sameGroup(a, b *facts.Function) bool {
	return a.Group != nil && b.Group != nil && *a.Group == *b.Group
}

// whyNotApart states why a function does not say that it keeps others apart.
func whyNotApart(f *facts.Function) Cause {
	says := "no ACS"
	switch {
	case f.Apart() == facts.Unknown:
		says = "whether it has ACS is not known"
	case f.Express == "" || f.Express == facts.ToPCI || f.Express == facts.FromPCI:
		says = "by the rules of old PCI, all behind it see each other"
	case f.ACS != nil && len(f.ACS.Off()) > 0:
		says = "ACS, with these off: " + strings.Join(f.ACS.Off(), ", ")
	}
	return causeOf(f, "config", f.Title()+": "+says)
}

// whyJoined says why a function is in one group with others.
func whyJoined(f, joining *facts.Function) string {
	switch {
	case joining.Apart() == facts.Unknown:
		return joining.Title() + " is in its group; whether it keeps others apart is not known."
	case joining.HeaderType != 0:
		return joining.Title() + " above it is in its group: what is below is not kept apart."
	case breaks(f, quirks.Apart):
		return joining.Title() + ", a function of the same card, is in its group. Linux " + quirks.Version + " knows that they cannot reach each other; this kernel does not."
	default:
		return joining.Title() + ", a function of the same card, is in its group: they are not kept apart."
	}
}
