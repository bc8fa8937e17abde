// shift: the guests of a shift cannot all run at the same time: two borrow one
// controller, or one lives on a drive that another borrows. The first is also
// an error of the layout itself; here it is seen with the images and backing
// files that the host really has.
//
// Severity: stop for the shift that is planned; else caution.
//
// Remedy: put the guests into different shifts, or move the disk to another
// drive.
package assess

import (
	"fmt"

	"lendkeep/spec"
)

func checkShifts(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Shifts {
		s := &c.Layout.Shifts[i]
		borrower := map[string]string{}
		for _, ref := range s.Guests {
			for _, lent := range c.Stated(ref.Name).Borrows {
				borrower[lent.Name] = ref.Name
			}
		}
		for _, ref := range s.Guests {
			for _, on := range c.LivesOn(c.Stated(ref.Name)) {
				if other, lent := borrower[on.Controller.Name]; lent {
					list = append(list, c.shiftFinding(s, ref, on, other))
				}
			}
		}
	}
	return list
}

func (c *Case) shiftFinding(s *spec.Shift, ref spec.Ref, on OnMount, other string) Finding {
	f := Finding{Severity: Caution, At: ref.At,
		Summary:  shorten("shift " + s.Name + " cannot run"),
		Detail:   fmt.Sprintf("Guest %s has disks below %s, which is on %s; guest %s of the same shift borrows %s, so the mount is not there.", ref.Name, on.Path, on.Controller.Name, other, on.Controller.Name),
		Causes:   []Cause{{ref.At.String(), "guest " + ref.Name}, {on.Controller.At.String(), "mount " + on.Path}},
		Remedies: []string{"put them into different shifts", "move the disk to another drive"},
	}
	if c.Shift == s {
		f.Severity = Stop
	}
	return f
}
