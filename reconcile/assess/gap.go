// gap: a fact could not be read. Under a controller that is to be lent that
// blocks, since unknown means in use; elsewhere it is worth knowing.
//
// Severity: stop; caution for a fact of the host as a whole where nothing is
// borrowed.
//
// Remedy: run lendkeep as root, see that libvirt answers (virsh list --all), and
// read the named file by hand to see what the kernel says.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

func checkGaps(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.taken()) {
		for _, same := range alike(c.gapsUnder(found.Function)) {
			gap := same[0]
			f := Finding{Severity: Stop, At: found.Controller.At,
				Summary:  shorten(fmt.Sprintf("%s of %s is not known", gap.Fact, found.Controller.Name)),
				Detail:   "What is not known counts as in use. It could not be read: " + gap.Reason + ".",
				Causes:   []Cause{{gap.Path, gap.Reason}},
				Remedies: []string{"run lendkeep as root", "read the file by hand and see what the kernel says"},
			}
			for _, other := range same[1:] {
				f.Detail += " Nor could " + other.Fact + "."
			}
			list = append(list, f)
		}
	}
	for _, gap := range c.Facts.Survey.AreaGaps() {
		f := Finding{Severity: Stop, At: c.Layout.Host.At,
			Summary:  shorten(gap.Fact + " could not be read"),
			Detail:   "Without it lendkeep cannot tell what is in use: " + gap.Reason + ".",
			Causes:   []Cause{{gap.Path, gap.Reason}},
			Remedies: []string{"run lendkeep as root", "see that libvirt answers: virsh list --all"},
		}
		if len(c.borrowed()) == 0 {
			f.Severity = Caution
		}
		list = append(list, f)
	}
	return list
}

// gapsUnder gives the gaps of a function that is to be lent, of the members of
// its group, and of its drives where the use walk does not report them already.
func (c *Case) gapsUnder(f *facts.Function) []facts.Gap {
	list := append([]facts.Gap(nil), f.Gaps...)
	if f.Group == nil {
		return list
	}
	for _, member := range c.Facts.Group(*f.Group) {
		if gap := member.Gap("driver"); gap != nil && member.Address != f.Address {
			list = append(list, *gap)
		}
	}
	return list
}

// alike puts gaps together that one failure made.
func alike(gaps []facts.Gap) [][]facts.Gap {
	var list [][]facts.Gap
	for _, gap := range gaps {
		i := slices.IndexFunc(list, func(same []facts.Gap) bool { return same[0].Path == gap.Path && same[0].Reason == gap.Reason })
		if i < 0 {
			list = append(list, nil)
			i = len(list) - 1
		}
		list[i] = append(list[i], gap)
	}
	return list
}
