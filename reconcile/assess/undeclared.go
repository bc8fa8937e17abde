// undeclared: a guest's definition holds a PCI function that the layout does
// not say it borrows: as a device, a network card or an NVMe disk, or in
// arguments for QEMU. An order leaves it in the definition.
//
// libvirt goes by the address alone. What the function is cannot be told from
// the layout then, but whether it can be lent can: it is asked what a declared
// controller is asked, and where the order would start the guest the answers
// stop it.
//
// Severity: caution; stop where the function cannot be lent, is in use or is
// never lent, and the order would start the guest.
//
// Remedy: declare it, with a controller block and borrows in the guest, or take
// the device out of its definition (virsh edit).
package assess

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkUndeclared(c *Case) []Finding {
	var list []Finding
	c.eachUndeclared(func(g *spec.Guest, d *facts.Definition, at facts.Address) {
		list = append(list, c.judged(g, d, at)...)
	})
	return list
}

// eachUndeclared calls do with each undeclared function of the guests that stay.
func (c *Case) eachUndeclared(do func(g *spec.Guest, d *facts.Definition, at facts.Address)) {
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		d := c.willHave(g)
		if g.Retired || d == nil || c.Awaits(g) && !c.RunsNow(g.Name) {
			continue
		}
		for _, at := range c.undeclared(g, d) {
			do(g, d, at)
		}
	}
}

// undeclared gives the functions of a definition that its guest does not
// borrow by the layout.
func (c *Case) undeclared(g *spec.Guest, d *facts.Definition) []facts.Address {
	return slices.DeleteFunc(d.Functions(), func(at facts.Address) bool {
		name := c.meant[at]
		return name != "" && c.borrows(g.Name, name)
	})
}

func (c *Case) judged(g *spec.Guest, d *facts.Definition, at facts.Address) []Finding {
	seen := Cause{"definition of guest " + g.Name, "it holds the PCI function " + at.String()}
	f := c.Facts.Function(at)
	if f == nil {
		return []Finding{{Severity: c.severityOf(g), At: g.At,
			Summary:  shorten("guest " + g.Name + " holds an empty address"),
			Detail:   "No function sits at " + at.String() + ", so the guest cannot start; after another card was added it may start with the wrong one.",
			Causes:   []Cause{seen},
			Remedies: []string{"take the device out of its definition: virsh edit " + plain.Quoted(g.Name)}}}
	}
	list := []Finding{{Severity: Caution, At: g.At,
		Summary:  shorten(fmt.Sprintf("guest %s holds %s undeclared", g.Name, at)),
		Detail:   "The layout does not say that it borrows " + f.Title() + ". It stays in the definition; which device is meant cannot be made sure.",
		Causes:   []Cause{seen},
		Remedies: []string{"declare it: a controller, and borrows in guest " + g.Name, "take the device out of its definition: virsh edit " + plain.Quoted(g.Name)}}}
	for _, why := range c.against(g, d, f) {
		list = append(list, Finding{Severity: c.severityOf(g), At: g.At,
			Summary:  shorten("guest " + g.Name + " cannot have " + f.Title()),
			Detail:   "Its definition holds " + f.Title() + ", and " + why.reason + ".",
			Causes:   []Cause{seen, causeOf(f, "", why.seen)},
			Remedies: []string{"take the device out of its definition: virsh edit " + plain.Quoted(g.Name), "do not start the guest"}})
	}
	return list
}

// keeps tells whether a guest's definition holds a function still once the
// order is carried out, without a word of the layout.
func (c *Case) keeps(guest string, at facts.Address) bool {
	g := c.Stated(guest)
	if g.Retired {
		return false
	}
	d := c.willHave(g)
	return d != nil && slices.Contains(c.undeclared(g, d), at)
}

// obstacle is why a function cannot be lent, and what was seen of that.
type obstacle struct{ reason, seen string }

// against says what speaks against lending a function that the layout does not
// declare for the guest.
func (c *Case) against(g *spec.Guest, d *facts.Definition, f *facts.Function) []obstacle {
	var list []obstacle
	add := func(reason, seen string) { list = append(list, obstacle{reason, seen}) }
	if name := c.meant[f.Address]; name != "" {
		add("it is controller "+name+", which the layout does not lend to it", f.Title())
	}
	if serial := c.Facts.SerialOf(f); serial != "" && slices.Contains(c.Layout.Host.NeverLend, serial) {
		add("it is never lent, by the layout's never_lend", serial)
	}
	for _, r := range d.Identities {
		if r.Has(f.Address) && !agrees(c, r, f) {
			add("it is not what the definition means there", r.Controller+" "+r.Serial)
		}
	}
	for _, use := range c.Uses(f.Address) {
		if use.Live {
			add("the host uses it; "+use.Loss(), use.Told())
		}
	}
	for _, gap := range f.Gaps {
		add(gap.Fact+" of it is not known, and what is not known counts as in use", gap.Path+": "+gap.Reason)
	}
	i := slices.IndexFunc(d.Hostdevs, func(l facts.Hostdev) bool { return l.Address == f.Address })
	if i < 0 {
		return list // QEMU is told of it, or of what hangs on it; libvirt takes it from nobody
	}
	switch {
	case f.Bridge():
		add("it is a bridge, which cannot be lent", fmt.Sprintf("class %06x, header type %d", f.Class, f.HeaderType))
	case c.Facts.Survey.Machine.IOMMUs == 0:
		add("the host has no IOMMU in use", "/sys/class/iommu is empty")
	case f.Group == nil:
		add("it is in no IOMMU group", "(no iommu_group)")
	default:
		for _, b := range c.Facts.Blockers(*f.Group, c.leaving(g, d)) {
			add("the kernel lends its IOMMU group as a whole", b.Function.Title()+": "+b.Reason)
		}
	}
	if !d.Hostdevs[i].Managed && !f.OnVFIO() {
		add("libvirt does not put it on VFIO (managed='no'), where it is not", "driver "+cmp.Or(f.Driver, none))
	}
	return list
}

// leaving gives the addresses that leave the host's drivers when a guest
// starts: what it borrows with its companions, and what else it lends.
func (c *Case) leaving(g *spec.Guest, d *facts.Definition) map[facts.Address]bool {
	lent := c.lentWith(g)
	for _, l := range d.Hostdevs {
		lent[l.Address] = true
	}
	return lent
}
