package page

import (
	"slices"
	"strings"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// drawing is a host as it stands at one moment, from which its parts are drawn.
type drawing struct {
	c      *assess.Case
	ix     *facts.Index
	prefix string // of the IDs of what is drawn once more: the host before and after an order
	outs   map[facts.Address]guard.Out
	names  map[facts.Address]string // controllers of the layout, by where they were found
	homes  map[string][]Mention     // of a guest: the functions on whose drives it lives
	shifts map[string][]Mention     // of a guest: those that it runs in
	marks  map[string][]Mark        // by the ID of the place
	stated map[string][]statement
}

func newDrawing(c *assess.Case, prefix string) *drawing {
	d := &drawing{c: c, ix: c.Facts, prefix: prefix, outs: guard.Outs(c.Facts), names: map[facts.Address]string{},
		homes: map[string][]Mention{}, shifts: map[string][]Mention{}, marks: map[string][]Mark{}}
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		for _, f := range found.Functions {
			d.names[f.Address] = found.Controller.Name
		}
	}
	for _, s := range c.Layout.Shifts {
		for _, ref := range s.Guests {
			d.shifts[ref.Name] = append(d.shifts[ref.Name], Mention{s.Name, shiftID(s.Name)})
		}
	}
	for i := range d.ix.Survey.Functions {
		d.settle(d.ix.Survey.Functions[i].Address)
	}
	return d
}

// settle notes which guests live on the drives of a function.
func (d *drawing) settle(at facts.Address) {
	for _, use := range d.c.Uses(at) {
		if use.Kind != facts.UseGuest {
			continue
		}
		home := d.mention(at)
		if use.Mount != nil {
			home.Text += " (" + use.Mount.Path + ")"
		}
		if !slices.Contains(d.homes[use.User], home) {
			d.homes[use.User] = append(d.homes[use.User], home)
		}
	}
}

// mention names a function: as the layout does, else by what it is and where.
func (d *drawing) mention(at facts.Address) Mention {
	f := d.ix.Function(at)
	switch {
	case f == nil:
		return Mention{Text: "what should be at " + at.String()}
	case d.names[at] != "":
		return Mention{d.names[at], functionID(at)}
	default:
		return Mention{guard.Title(f, d.outs), functionID(at)}
	}
}

// controller names a controller of the layout.
func (d *drawing) controller(name string) Mention {
	if f := d.c.Found(name).Function; f != nil {
		return Mention{name, functionID(f.Address)}
	}
	return Mention{name, lostID(name)}
}

// guestMention names a guest that libvirt or the layout knows.
func (d *drawing) guestMention(name string) Mention {
	if d.ix.Guest(name) == nil && d.c.Stated(name) == nil {
		return Mention{Text: name}
	}
	return Mention{name, guestID(name)}
}

func (d *drawing) hostMention() Mention { return Mention{"the host", hostID} }

// mark puts a mark at a place, once.
func (d *drawing) mark(place string, m Mark) {
	if !slices.Contains(d.marks[place], m) {
		d.marks[place] = append(d.marks[place], m)
	}
}

// user says who makes a use; a guest leads to its place.
func (d *drawing) user(use facts.Use) Mention {
	m := Mention{Text: d.ix.User(use)}
	if use.Kind == facts.UseGuest {
		m.To = d.guestMention(use.User).To
	}
	return m
}

func joined(list ...string) string {
	return strings.Join(slices.DeleteFunc(list, func(text string) bool { return text == "" }), ", ")
}
