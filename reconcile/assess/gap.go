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

	"lendkeep/reconcile/facts"
)

func checkGaps(c *Case) []Finding {
	var list []Finding
	for _, found := range parts(c.taken()) {
		for _, gap := range c.gapsUnder(found.Function) {
			list = append(list, Finding{Severity: Stop, At: found.Controller.At,
				Summary:  shorten(fmt.Sprintf("%s of %s is not known", gap.Fact, found.Controller.Name)),
				Detail:   "What is not known counts as in use. It could not be read: " + gap.Reason + ".",
				Causes:   []Cause{{gap.Path, gap.Reason}},
				Remedies: []string{"run lendkeep as root", "read the file by hand and see what the kernel says"},
			})
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
