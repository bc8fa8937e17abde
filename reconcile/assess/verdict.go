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
	Against []string // what stops it, a short sentence each; empty: it may be lent
}

// MayBeLent tells whether nothing speaks against it.
func (v Verdict) MayBeLent() bool { return len(v.Against) == 0 }

// String gives the verdict as people read it.
func (v Verdict) String() string {
	if v.MayBeLent() {
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

// VerdictOn gives the verdict on one function of the host.
func VerdictOn(ix *facts.Index, f *facts.Function) Verdict {
	v := Verdict{Of: f}
	if g := ix.Holder(f.Address); g != nil {
		v.add("guest " + g.Name + " has it now")
		return v
	}
	nvme, pci := StatedAs(ix, f)
	switch {
	case nvme == nil && pci == nil && !f.KindKnown():
		v.add("its vendor or device number could not be read, and nothing else states it")
		return v
	case nvme == nil && pci == nil && f.OnVFIO():
		v.add("it is on VFIO, where it cannot say which it is")
		return v
	case nvme == nil && pci == nil:
		v.add("nothing that a layout can state tells it from " + listed(others(ix, f)))
		return v
	}
	layout := lending(ix, spec.Controller{Name: it, NVMe: nvme, PCI: pci, Return: spec.Return{OnFailure: "hold"}})
	for _, finding := range Assess(NewCase(layout, ix, &layout.Shifts[0])) {
		if finding.Severity == Stop {
			v.add(reason(finding, layout.Guests[0].Name))
		}
	}
	return v
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

// lending is the smallest layout that lends a controller: to a guest that is made
// for it and shall run.
func lending(ix *facts.Index, controller spec.Controller) *spec.Layout {
	name := "nobody"
	for ix.Guest(name) != nil {
		name += "-"
	}
	ref := spec.Ref{Name: name}
	return &spec.Layout{
		Host:        spec.Host{Name: ix.Survey.Machine.Name, Libvirt: ix.Survey.Libvirt.URI},
		Controllers: []spec.Controller{controller},
		Guests:      []spec.Guest{{Name: name, Borrows: []spec.Ref{{Name: controller.Name}}, Memory: &spec.Memory{SizeBytes: 1 << 20}}},
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
