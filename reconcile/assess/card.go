// card: a PCI function that shall be lent has made virtual functions, or others
// of its card are in use.
//
// The kernel binds no function to VFIO while it has virtual ones ("Cannot bind
// to PF with SR-IOV enabled", Linux drivers/vfio/pci/vfio_pci_core.c), but
// libvirt takes it from its driver first: all of them go offline, that of a
// running guest too (measured with libvirt 9.0.0 and Linux 6.1). Functions of
// one slot are one chip: a reset that is more than its own hits them all.
//
// Severity: stop where it has virtual functions; caution where others of its card
// are in use.
//
// Remedy: lend a virtual function instead, or end every use of them and remove
// them. Of a card with other uses: end those while it is lent, or lend the whole
// card to one guest.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkCards(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.borrowed()) {
		list = append(list, c.card(found.Function, "controller "+found.Controller.Name, found.Controller.At, Stop, c.lentAlong(found))...)
	}
	for _, found := range parts(c.putAside()) {
		list = append(list, c.virtuals(found.Function, "controller "+found.Controller.Name, found.Controller.At, Stop)...)
	}
	c.eachUndeclared(func(g *spec.Guest, d *facts.Definition, at facts.Address) {
		if f := c.Facts.Function(at); f != nil {
			list = append(list, c.card(f, at.String()+" of guest "+g.Name, g.At, c.severityOf(g), c.leaving(g, d))...)
		}
	})
	return list
}

func (c *Case) card(f *facts.Function, name string, at spec.Place, severity Severity, lent map[facts.Address]bool) []Finding {
	return append(c.virtuals(f, name, at, severity), c.siblings(f, name, at, lent)...)
}

// virtuals stops what would take a function from under its virtual ones.
func (c *Case) virtuals(f *facts.Function, name string, at spec.Place, severity Severity) []Finding {
	count, _ := c.Facts.MakesVirtual(f) // where that is not known, gap says so
	if count == 0 {
		return nil
	}
	causes := []Cause{causeOf(f, "sriov_numvfs", fmt.Sprint(count))}
	for _, v := range c.Facts.Virtuals(f.Address) {
		causes = append(causes, causeOf(v, "physfn", v.Title()+c.usedBy(v)))
	}
	return []Finding{{Severity: severity, At: at,
		Summary:  shorten(name + " has virtual functions"),
		Detail:   f.Title() + " cannot be lent while it has them, and all of them go offline when it leaves the host's driver.",
		Causes:   causes,
		Remedies: []string{"lend a virtual function instead", "end every use of them, then remove them: echo 0 > /sys/bus/pci/devices/" + f.Address.String() + "/sriov_numvfs"}}}
}

// siblings tells which others of the same slot are in use and stay, where they
// have an IOMMU group of their own: group speaks of the rest.
func (c *Case) siblings(f *facts.Function, name string, at spec.Place, lent map[facts.Address]bool) []Finding {
	var causes []Cause
	for _, other := range c.Facts.Siblings(f.Address) {
		if other.Parent != nil || f.Parent != nil || lent[other.Address] || f.Group != nil && other.Group != nil && *f.Group == *other.Group {
			continue
		}
		if by := c.usedBy(other); by != "" {
			causes = append(causes, causeOf(other, "driver", other.Title()+by))
		}
	}
	if len(causes) == 0 {
		return nil
	}
	return []Finding{{Severity: Caution, At: at,
		Summary:  shorten("others use the card of " + name),
		Detail:   "Its functions are one chip. What one does to it, as in a reset or when it loses power, the others may feel.",
		Causes:   causes,
		Remedies: []string{"end that use while it is lent", "lend the whole card to one guest"}}}
}

// usedBy says who uses a function now; empty: nobody.
func (c *Case) usedBy(f *facts.Function) string {
	var by []string
	if g := c.Facts.Holder(f.Address); g != nil && (g.Running || f.OnVFIO()) {
		by = append(by, "guest "+g.Name)
	}
	for _, use := range c.Uses(f.Address) {
		if use.Live {
			by = append(by, string(use.Kind)+" "+use.User)
		}
	}
	if len(by) == 0 {
		return ""
	}
	return ", used by " + strings.Join(by, " and ")
}
