package assess

import (
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Verdict says of a PCI function whether it may be lent to a guest, as the host is
// now. It is what the checks say of the smallest layout that lends it and nothing
// else, so there is one truth.
type Verdict struct {
	Of      *facts.Function
	With    []*facts.Function // the others of its slot, where it can only be lent together with them
	Against []string          // what stops it, a short sentence each; empty: it may be lent
}

// MayBeLent tells whether nothing speaks against it.
func (v Verdict) MayBeLent() bool { return len(v.Against) == 0 }

// String gives the verdict as people read it.
func (v Verdict) String() string {
	switch {
	case v.MayBeLent() && len(v.With) > 0:
		return "may be lent, with all functions of its slot"
	case v.MayBeLent():
		return "may be lent"
	}
	return "not, because " + strings.Join(v.Against, "; ")
}

// Verdicts gives a verdict on every function of the host but bridges, by address.
func Verdicts(ix *facts.Index) []Verdict {
	var list []Verdict
	for _, f := range devices(ix) {
		list = append(list, VerdictOn(ix, f))
	}
	return list
}

// it is what a function is called in the layout that lends it alone: findings are
// read as sentences about it.
const it = "it"

// VerdictOn gives the verdict on one function of the host: by itself, else with all
// functions of its slot as one controller, where a layout can state them so.
func VerdictOn(ix *facts.Index, f *facts.Function) Verdict {
	v := verdictAlone(ix, f)
	others, stated := slotOf(ix, f)
	if v.MayBeLent() || stated == nil {
		return v
	}
	whole := Verdict{Of: f, With: others}
	whole.assess(ix, []spec.Controller{{Name: it, PCI: stated, Return: spec.Return{OnFailure: "hold"}}})
	return whole
}

// slotOf gives the other functions in the slot of one that nobody has, and how a
// layout states all of them; nil where it cannot, or one of them goes alone or never.
func slotOf(ix *facts.Index, f *facts.Function) (others []*facts.Function, stated *spec.PCIIdentity) {
	all := ix.Physical(f.Address)
	for _, other := range all {
		if other.NVMe != nil || other.Bridge() || ix.Holder(other.Address) != nil {
			return nil, nil
		}
	}
	if len(all) < 2 || !slices.Contains(all, f) {
		return nil, nil
	}
	return slices.DeleteFunc(slices.Clone(all), func(other *facts.Function) bool { return other == f }), StatedWhole(ix, all[0])
}

func verdictAlone(ix *facts.Index, f *facts.Function) Verdict {
	v := Verdict{Of: f}
	if g := ix.Holder(f.Address); g != nil {
		v.add("guest " + g.Name + " has it now")
		return v
	}
	stated, why := alone(ix, f)
	if why != "" {
		v.add(why)
		return v
	}
	v.assess(ix, stated)
	return v
}

// assess adds what stops lending the first of these controllers.
func (v *Verdict) assess(ix *facts.Index, stated []spec.Controller) {
	layout := lending(ix, stated)
	for _, finding := range Assess(NewCase(layout, ix, &layout.Shifts[0])) {
		if finding.Severity == Stop {
			v.add(reason(finding, layout.Guests[0].Name))
		}
	}
}

// alone gives the controllers of a layout that lends a function: the function, and of a
// virtual one its parent behind it; or why nothing states it.
func alone(ix *facts.Index, f *facts.Function) ([]spec.Controller, string) {
	if f.Parent != nil {
		return aloneVirtual(ix, f)
	}
	nvme, pci := StatedAs(ix, f)
	switch {
	case nvme == nil && pci == nil && !f.KindKnown():
		return nil, "its vendor or device number could not be read, and nothing else states it"
	case nvme == nil && pci == nil && f.OnVFIO():
		return nil, "it is on VFIO, where it cannot say which it is"
	case nvme == nil && pci == nil:
		return nil, "nothing that a layout can state tells it from " + listed(others(ix, f))
	}
	return []spec.Controller{{Name: it, NVMe: nvme, PCI: pci, Return: spec.Return{OnFailure: "hold"}}}, ""
}

// aloneVirtual is alone of a virtual function.
func aloneVirtual(ix *facts.Index, f *facts.Function) ([]spec.Controller, string) {
	parent := ix.Function(*f.Parent)
	if why := away(ix, parent); why != "" {
		return nil, "its parent " + why
	}
	if f.VirtualNumber == nil {
		return nil, "which of the virtual functions of " + parent.Title() + " it is, is not known"
	}
	stated, why := alone(ix, parent)
	if why != "" {
		return nil, "its parent cannot be stated: " + why
	}
	stated[0].Name = "its parent"
	return []spec.Controller{{Name: it, Virtual: &spec.VirtualIdentity{Of: spec.Ref{Name: stated[0].Name}, Number: *f.VirtualNumber}, Return: spec.Return{OnFailure: "hold"}}, stated[0]}, ""
}

func (v *Verdict) add(why string) {
	if !slices.Contains(v.Against, why) {
		v.Against = append(v.Against, why)
	}
}

// others gives those of the same kind.
func others(ix *facts.Index, f *facts.Function) []*facts.Function {
	alike := slices.Clone(ix.OfKind(f.Vendor, f.Device))
	return slices.DeleteFunc(alike, func(other *facts.Function) bool { return other == f })
}

// lending is the smallest layout that lends the first of these controllers: to a guest
// that is made for it and shall run.
func lending(ix *facts.Index, controllers []spec.Controller) *spec.Layout {
	name := "nobody"
	for ix.Guest(name) != nil {
		name += "-"
	}
	ref := spec.Ref{Name: name}
	return &spec.Layout{
		Host:        spec.Host{Name: ix.Survey.Machine.Name, Libvirt: ix.Survey.Libvirt.URI},
		Controllers: controllers,
		Guests:      []spec.Guest{{Name: name, Borrows: []spec.Ref{{Name: controllers[0].Name}}, Memory: &spec.Memory{SizeBytes: 1 << 20}}},
		Shifts:      []spec.Shift{{Name: "lent", Guests: []spec.Ref{ref}}},
	}
}

// reason makes a short sentence of a stop that speaks of it and of the guest that
// was made for it.
func reason(f Finding, guest string) string {
	switch f.Check {
	case "protected":
		return "the host's own system is on it"
	case "group":
		return "it can only go with its IOMMU group; " + values(f.Causes, " and ")
	case "guest-definition":
		return values(f.Causes, "; ")
	case "shared":
		theirs := slices.DeleteFunc(slices.Clone(f.Causes), func(c Cause) bool { return c.Path == "definition of guest "+guest })
		return strings.TrimPrefix(theirs[0].Path, "definition of ") + " uses " + theirs[0].Value
	}
	return strings.ReplaceAll(f.Summary, "controller "+it, it)
}

func values(causes []Cause, between string) string {
	var list []string
	for _, c := range causes {
		list = append(list, c.Value)
	}
	return strings.Join(list, between)
}
