// contention: two want the same thing at the same time. Two guests borrow one
// controller; a guest outside the layout has it in its definition or holds it
// now; a guest's disks lie on a drive that another guest, or itself, borrows.
//
// Severity: stop where it is at the same time, or where a guest that does not
// borrow the controller has it now; caution where a guest outside the layout has
// it in its definition; else note.
//
// Remedy: put the guests into different shifts and plan one; move the disk to
// another drive; state the guest in the layout.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkContention(c *Case) []Finding {
	list := c.homeless()
	for _, found := range c.borrowed() {
		list = append(list, c.rivals(found)...)
		list = append(list, c.strangers(found)...)
		for _, part := range found.parts() {
			list = append(list, c.lodgers(part)...)
		}
	}
	return list
}

// rivals: guests of the layout that borrow the same controller.
func (c *Case) rivals(found Found) []Finding {
	var all, on []string
	for _, g := range c.Borrowers(found.Controller.Name) {
		if g.Retired {
			continue
		}
		all = append(all, g.Name)
		if c.Runs(g) {
			on = append(on, g.Name)
		}
	}
	f := Finding{At: found.Controller.At, Causes: []Cause{{found.Controller.At.String(), "borrowed by " + strings.Join(all, ", ")}}}
	switch {
	case len(on) > 1:
		f.Severity = Stop
		f.Summary = shorten(fmt.Sprintf("%d running guests want %s", len(on), found.Controller.Name))
		f.Detail = fmt.Sprintf("A controller can be with one guest at a time; %s would all run.", strings.Join(on, ", "))
		f.Remedies = []string{"put the guests into different shifts and plan one: lendkeep plan LAYOUT --shift NAME"}
	case len(all) > 1:
		f.Severity = Note
		f.Summary = shorten(fmt.Sprintf("%d guests take turns with %s", len(all), found.Controller.Name))
		f.Detail = "Only one of them can run at a time; libvirt refuses the second."
		f.Remedies = []string{"give each a shift of its own"}
	default:
		return nil
	}
	return []Finding{f}
}

// homeless: guests that are to run although the drive below their disks is to
// be lent, or kept aside. Their mount is not there then.
func (c *Case) homeless() []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if !c.Runs(g) {
			continue
		}
		for _, on := range c.LivesOn(g) {
			name := ""
			if borrower := c.Borrower(on.Controller.Name); borrower != nil {
				name = borrower.Name
			} else if found := c.Found(on.Controller.Name); found.Holder != nil && c.Stated(found.Holder.Name) == nil && c.starts(g) {
				name = found.Holder.Name
			} else {
				continue
			}
			list = append(list, Finding{Severity: Stop, At: g.At,
				Summary:  shorten("guest " + g.Name + " lives on " + on.Controller.Name + ", which is lent"),
				Detail:   fmt.Sprintf("It has disks below %s. Guest %s has the controller of that drive then, so nothing is mounted there.", on.Path, name),
				Causes:   []Cause{{g.At.String(), "guest " + g.Name}, {on.Controller.At.String(), "mount " + on.Path}},
				Remedies: []string{"put the guests into different shifts and plan one: lendkeep plan LAYOUT --shift NAME", "move the disk to another drive"},
			})
		}
	}
	return list
}

// starts tells whether an order starts a guest, or starts it again.
func (c *Case) starts(g *spec.Guest) bool {
	if !c.RunsNow(g.Name) {
		return true
	}
	for _, ref := range g.Borrows {
		if c.Found(ref.Name).Function == nil {
			return false // another finding stops it
		}
	}
	entry, _ := c.Entry(g)
	return entry != nil || len(c.Change(g).Changes) > 0
}

// strangers: guests that the layout does not name, or that do not borrow the
// controller in it, but have it in their definitions.
func (c *Case) strangers(found Found) []Finding {
	var list []Finding
	told := map[*facts.Guest]bool{}
	for _, part := range found.parts() {
		f := part.Function
		holder := c.Facts.Holder(f.Address)
		if found.Where != facts.Lent || !f.OnVFIO() {
			holder = nil
		}
		// Of a whole slot, a guest may have one function and another guest the rest.
		if holder != nil && !told[holder] && (holder != found.Holder || !c.borrows(holder.Name, found.Controller.Name)) {
			told[holder] = true
			list = append(list, Finding{Severity: Stop, At: found.Controller.At,
				Summary:  shorten("guest " + holder.Name + " has " + found.Controller.Name + " now"),
				Detail:   "By the layout it does not borrow it. lendkeep does not shut down a guest to take a controller from it unless the layout says so.",
				Causes:   []Cause{causeOf(f, "driver", f.Driver), {"live definition of guest " + holder.Name, "<hostdev> at " + f.Address.String()}},
				Remedies: []string{"shut the guest down", "state in the layout that it borrows the controller"},
			})
		}
		for _, g := range c.Facts.Keepers(f.Address) {
			if g == found.Holder || c.Stated(g.Name) != nil || told[g] {
				continue
			}
			told[g] = true
			list = append(list, Finding{Severity: Caution, At: found.Controller.At,
				Summary:  shorten("guest " + g.Name + " has " + found.Controller.Name + " in its definition"),
				Detail:   "The layout does not name this guest. Whoever starts it lends it the controller without any check.",
				Causes:   []Cause{{"definition of guest " + g.Name, "<hostdev> at " + f.Address.String()}},
				Remedies: []string{"state the guest in the layout", "take the device out of its definition"},
			})
		}
	}
	return list
}

func (c *Case) borrows(guest, controller string) bool {
	for _, g := range c.Borrowers(controller) {
		if g.Name == guest {
			return true
		}
	}
	return false
}

// lodgers: guests whose disks lie on the drives of the controller.
func (c *Case) lodgers(found Found) []Finding {
	var list []Finding
	borrower := c.Borrower(found.Controller.Name)
	seen := map[string]bool{}
	for _, use := range c.Uses(found.Function.Address) {
		if use.Kind != facts.UseGuest && use.Kind != facts.UsePool || seen[use.User] || use.Kind == facts.UsePool && use.Live {
			continue
		}
		seen[use.User] = true
		f := Finding{Severity: Note, At: found.Controller.At, Causes: []Cause{{use.Chain[0], use.String()}}}
		f.Summary = shorten(fmt.Sprintf("%s %s lives on a drive of %s", use.Kind, use.User, found.Controller.Name))
		f.Detail = "It cannot be used while the controller is lent."
		f.Remedies = []string{"keep it in another shift than the guests that borrow " + found.Controller.Name, "move it to another drive"}
		stated := c.Stated(use.User)
		switch {
		case borrower == nil || use.Kind == facts.UsePool:
		case stated != nil && c.Runs(stated), stated == nil && use.Live:
			f.Severity = Stop
			f.Detail = fmt.Sprintf("It is to run at the same time as guest %s, which borrows the controller and takes the drive away.", borrower.Name)
			f.Remedies = append([]string{"shut it down before " + borrower.Name + " starts"}, f.Remedies...)
		}
		list = append(list, f)
	}
	return list
}
