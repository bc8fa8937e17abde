package page

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/spec/plain"
)

// Function is a PCI function, with all that hangs on it.
type Function struct {
	ID        string
	Name      string // in the layout; empty: it states none
	What      string
	Address   string
	Shape     Shape
	Where     Where
	Link      *Link     // nil: it has none, or that is not known
	Notes     []string  // its driver, its slot
	Borrowers []Mention // guests that may borrow it
	Drives    []Drive
	Users     []Mention // who uses it besides its drives
	Unknown   []string  // what could not be read of it
	Marks     []Mark

	at facts.Address
}

// Shape is how a function is drawn.
type Shape string

// The shapes. What bears a drive is told from the rest, since that is what is lent
// most.
const (
	Port   Shape = "port" // a bridge, port or switch
	Bears  Shape = "drive"
	Device Shape = "device"
)

// Where is where a controller is: its place as facts has it and the same in words.
// It is empty of functions of which nobody asks.
type Where struct {
	Place facts.Whereabouts
	Words string
	With  Mention // the guest that has it
}

// Link is the link above a function.
type Link struct {
	Told            string
	Width, MaxWidth int    // lanes
	Below           string // how it is less than it could be, in words; empty: it is not
}

func (d *drawing) function(f *facts.Function) Function {
	drawn := Function{at: f.Address, ID: d.prefix + functionID(f.Address), Name: d.names[f.Address], What: guard.Name(f, d.outs), Address: f.Address.String(),
		Where: d.where(f), Link: d.link(f), Notes: d.notes(f), Marks: d.marks[functionID(f.Address)]}
	for _, g := range d.c.Borrowers(drawn.Name) {
		drawn.Borrowers = append(drawn.Borrowers, d.guestMention(g.Name))
	}
	uses := d.usesOf(d.c.Uses(f.Address))
	drawn.Drives = d.drives(f, uses)
	drawn.Users = uses[""]
	for _, gap := range f.Gaps {
		drawn.Unknown = append(drawn.Unknown, gapText(gap))
	}
	switch {
	case f.Bridge():
		drawn.Shape = Port
	case len(drawn.Drives) > 0:
		drawn.Shape = Bears
	default:
		drawn.Shape = Device
	}
	return drawn
}

// notes gives what else is worth a word.
func (d *drawing) notes(f *facts.Function) []string {
	driver := "no driver"
	switch {
	case f.Driver != "":
		driver = "driver " + f.Driver
	case f.Gap("driver") != nil:
		driver = "its driver is not known"
	}
	list := []string{driver}
	if f.Slot != "" {
		list = append(list, "slot "+f.Slot)
	}
	if f.DeviceSerial != "" {
		list = append(list, "device serial number "+f.DeviceSerial)
	}
	switch {
	case f.Parent != nil && f.VirtualNumber != nil:
		list = append(list, fmt.Sprintf("virtual function %d of %s", *f.VirtualNumber, d.mention(*f.Parent).Text))
	case f.Parent != nil:
		list = append(list, "a virtual function of "+d.mention(*f.Parent).Text)
	}
	if f.Virtual > 0 {
		list = append(list, "has "+plain.Count(f.Virtual, "virtual function"))
	}
	if f.Group == nil && d.ix.Survey.Machine.IOMMUs > 0 {
		list = append(list, "in no IOMMU group")
	}
	return list
}

// where tells the place of what the layout states, and of what is with a guest or on
// VFIO whether it is stated or not.
func (d *drawing) where(f *facts.Function) Where {
	if name := d.names[f.Address]; name != "" {
		found := d.c.Found(name)
		return d.placed(found.Where, found.Holder, found.Why)
	}
	switch holder := d.ix.Holder(f.Address); {
	case holder != nil:
		return d.placed(facts.Lent, holder, "")
	case f.OnVFIO():
		return d.placed(facts.Aside, nil, "")
	}
	return Where{}
}

func (d *drawing) placed(at facts.Whereabouts, holder *facts.Guest, why string) Where {
	w := Where{Place: at, Words: string(at)}
	switch {
	case at == facts.Lent && holder != nil:
		w.Words, w.With = "lent to", d.guestMention(holder.Name)
	case at == facts.Aside:
		w.Words = "aside, on VFIO with no guest"
	case why != "":
		w.Words = string(at) + ": " + why
	}
	return w
}

// link says how the link above a function runs. Which end allows fewer lanes the
// nearest port above tells that has fewer (as the finding link does); a lower rate may
// only be that of an idle link (PCI Express Base Specification, link power management).
// Of a root port, and of a switch's port towards what is below it, what the kernel
// shows is the link below (PCI Express Base Specification, 1.3 and 1.4: from the root
// down, ports with their link below and above them alternate); that is drawn there.
func (d *drawing) link(f *facts.Function) *Link {
	told := f.Link.Told()
	if told == "" || f.Bridge() && len(d.ix.Upstream(f.Address))%2 == 0 {
		return nil
	}
	l := &Link{Told: told, Width: f.Link.Width, MaxWidth: max(f.Link.MaxWidth, f.Link.Width)}
	if f.Link.Width < f.Link.MaxWidth {
		l.Below = fmt.Sprintf("narrower than it could be, by %s", plain.Count(f.Link.MaxWidth-f.Link.Width, "lane"))
		if port := d.ix.LimitsOf(f).Lanes; port != nil {
			l.Below += fmt.Sprintf(": %s has %d", port.Address, port.Link.MaxWidth)
		}
	}
	if f.Link.SpeedMTps > 0 && f.Link.SpeedMTps < f.Link.MaxSpeedMTps {
		l.Below = joined(l.Below, "slower than it could be, as an idle link may be")
	}
	return l
}

// lost draws the controllers of the layout that are not there.
func (d *drawing) lost() []Function {
	var list []Function
	for i := range d.c.Layout.Controllers {
		found := d.c.Found(d.c.Layout.Controllers[i].Name)
		if found.Function != nil {
			continue
		}
		id := lostID(found.Controller.Name)
		drawn := Function{ID: id, Name: found.Controller.Name, Shape: Device, Marks: d.marks[id],
			Where: Where{Place: facts.Gone, Words: "not found: " + found.Why}}
		for _, g := range d.c.Borrowers(drawn.Name) {
			drawn.Borrowers = append(drawn.Borrowers, d.guestMention(g.Name))
		}
		list = append(list, drawn)
	}
	return list
}
