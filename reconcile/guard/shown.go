package guard

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Shown is what tells that a function works which proves itself by no serial, as it
// was when it was last seen at home.
type Shown struct {
	Function   uint8    `json:"function"`             // its number in the slot
	Driver     string   `json:"driver"`               // kernel driver that had it; empty: none
	Interfaces []Card   `json:"interfaces,omitempty"` // network interfaces, sorted by name
	Disks      []string `json:"disks,omitempty"`      // names below /dev/disk/by-id; an empty one of a disk that says nothing of itself
	Shows      []string `json:"shows,omitempty"`      // facts.Function.Shows
}

// At gives where the function is, of a controller that is at an address.
func (s Shown) At(controller facts.Address) facts.Address {
	controller.Function = s.Function
	return controller
}

// ShownBy gives what each function of a controller at home shows; one of which the
// driver is not known, now or once it comes back, is left out.
func ShownBy(ix *facts.Index, r facts.Identity) []Shown {
	if r.Serial != "" {
		return nil
	}
	var list []Shown
	for _, f := range ix.Parts(r) {
		if f.Gap("driver") == nil && !f.OnVFIO() && !f.Overridden() {
			list = append(list, shownBy(ix, f))
		}
	}
	return list
}

func shownBy(ix *facts.Index, f *facts.Function) Shown {
	s := Shown{Function: f.Address.Function, Driver: f.Driver, Shows: f.Shows}
	for _, i := range f.Interfaces {
		card := Card{Name: i.Name}
		if f.Gap(facts.GapInterfaces) == nil { // one of which it is not known counts as up
			card = cardOf(i)
		}
		s.Interfaces = append(s.Interfaces, card)
	}
	slices.SortFunc(s.Interfaces, func(a, b Card) int { return strings.Compare(a.Name, b.Name) })
	if keepsDisks(f) {
		for _, disk := range ix.Drives(f.Address) {
			s.Disks = append(s.Disks, diskID(disk))
		}
		slices.Sort(s.Disks)
	}
	return s
}

// keepsDisks tells a function whose disks stay with it: of USB and card readers they
// come and go (PCI Code and ID Assignment Specification: 01 mass storage, 0c04 Fibre
// Channel).
func keepsDisks(f *facts.Function) bool { return f.Class>>16 == 0x01 || f.Class>>8 == 0x0c04 }

// diskID gives the name that udev makes of what a disk says of itself: its world wide
// name, else its model and serial (systemd, rules.d/60-persistent-storage.rules);
// empty where it says nothing, or udev has no record of it yet.
func diskID(disk *facts.Block) string {
	var ids []string
	for _, link := range disk.Links {
		if id, found := strings.CutPrefix(strings.TrimPrefix(link, "/dev/"), "disk/by-id/"); found {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	if i := slices.IndexFunc(ids, func(id string) bool { return strings.HasPrefix(id, "wwn-") }); i >= 0 {
		return ids[i]
	}
	if len(ids) == 0 {
		return ""
	}
	return ids[0]
}

// SoundShown says why what a controller showed cannot be its own.
func SoundShown(r facts.Identity, shown []Shown) error {
	seen := map[uint8]bool{}
	for _, s := range shown {
		if r.Serial != "" || !r.Has(s.At(r.Address)) || seen[s.Function] {
			return fmt.Errorf("function %d shows something, and is none of its own or is there twice", s.Function)
		}
		seen[s.Function] = true
	}
	return nil
}

// ShownWords tells what a controller has to show to be as it was, one line each.
func ShownWords(r facts.Identity, shown []Shown) []string {
	var list []string
	for _, s := range shown {
		list = append(list, fmt.Sprintf("%s is as it was once %s has %s", r.Controller, s.At(r.Address), s.words()))
	}
	return list
}

func (s Shown) words() string {
	list := []string{"the driver " + s.Driver}
	if s.Driver == "" {
		list[0] = "no driver"
	}
	if len(s.Interfaces) > 0 {
		list = append(list, "the network interfaces "+strings.Join(names(s.Interfaces), " and "))
	}
	for _, card := range s.Interfaces {
		if card.configured() {
			list = append(list, card.words())
		}
	}
	if len(s.Disks) > 0 {
		list = append(list, plain.Count(len(s.Disks), "disk")+strings.TrimRight(": "+strings.Join(s.said(), " "), ": "))
	}
	if len(s.Shows) > 0 {
		list = append(list, "what it shows: "+strings.Join(inWords(s.Shows), ", "))
	}
	return strings.Join(list, ", ")
}

// showsInWords says what devices of some classes and buses are for people.
var showsInWords = map[string]string{"drm": "graphics", "graphics": "frame buffer", "sound": "sound card", "usb": "USB hub", "scsi": "SCSI host"}

func inWords(shows []string) []string {
	var list []string
	for _, class := range shows {
		list = append(list, cmp.Or(showsInWords[class], class+" device"))
	}
	return list
}

// said gives the disks that say who they are.
func (s Shown) said() []string {
	return slices.DeleteFunc(slices.Clone(s.Disks), func(id string) bool { return id == "" })
}

// AsShown looks whether a controller that is at home shows all that it did.
func AsShown(ix *facts.Index, r facts.Identity, shown []Shown) Return {
	var made Return
	if _, f, _ := ix.Where(r); f != nil {
		made.shown(ix, &Controller{Identity: r, Shown: shown}, f)
	}
	return made
}

// seen gives what a function of the controller showed; nil: nobody has seen it at home.
func (c *Controller) seen(f *facts.Function) *Shown {
	i := slices.IndexFunc(c.Shown, func(s Shown) bool { return s.Function == f.Address.Function || !c.Identity.Whole() })
	if i < 0 {
		return nil
	}
	return &c.Shown[i]
}

// shown waits for what a controller that is at home at f does not show yet.
func (r *Return) shown(ix *facts.Index, c *Controller, f *facts.Function) {
	if c.Identity.Serial != "" {
		return
	}
	for _, now := range ix.Parts(c.Identity.At(f.Address)) {
		part := fmt.Sprintf("%s of controller %s", now.Address, c.Identity.Controller)
		before := c.seen(now)
		switch gap := now.Gap("driver"); {
		case now.OnVFIO(): // it is not home
		case before == nil:
			r.Left = append(r.Left, "whether "+part+" is as it was is not known: the rules have not seen it with a driver that it comes back with")
		case gap != nil:
			r.wait(c, false, "the driver of %s is not known: %s: %s", part, gap.Path, gap.Reason)
		case now.Driver == "" && before.Driver != "":
			r.wait(c, true, "%s has no driver, and had %s before", part, before.Driver)
		default:
			r.compare(c, part, *before, now, shownBy(ix, now))
		}
	}
}

func (r *Return) compare(c *Controller, part string, before Shown, f *facts.Function, now Shown) {
	if now.Driver != before.Driver {
		r.Wrong = append(r.Wrong, fmt.Sprintf("%s has the driver %s, and had %s before; bring the rules up to date by an order if that is meant", part, now.Driver, cmp.Or(before.Driver, "none")))
		return // what another driver shows nobody knows
	}
	switch missing := without(names(before.Interfaces), names(now.Interfaces)); {
	case len(now.Interfaces) < len(before.Interfaces):
		r.wait(c, false, "network interface %s of %s has not appeared%s", strings.Join(missing, ", "), part, why(f, facts.GapInterfaces))
	case len(missing) > 0:
		r.Left = append(r.Left, fmt.Sprintf("network interface %s of %s has another name now, of %s: what the host's configuration sets up by the old one is not", strings.Join(missing, ", "), part, strings.Join(names(now.Interfaces), ", ")))
	}
	if slices.Contains(now.Shows, "graphics") && !slices.ContainsFunc(f.Attached, func(a facts.Attached) bool { return a.Shows == facts.ShowsConsole }) {
		r.Left = append(r.Left, fmt.Sprintf("no console is on the frame buffer of %s; if the host is to have it there: echo 1 into bind below each /sys/class/vtconsole whose name says frame buffer device, then start the display server", part))
	}
	for _, card := range before.Interfaces {
		if i := slices.IndexFunc(now.Interfaces, func(c Card) bool { return c.Name == card.Name }); i >= 0 {
			r.configuration(c, part, f, card, now.Interfaces[i])
		}
	}
	if missing := without(before.Shows, now.Shows); len(missing) > 0 {
		r.wait(c, false, "%s of %s has not appeared%s", strings.Join(inWords(missing), ", "), part, why(f, facts.GapBelow))
	}
	if missing := without(before.said(), now.Disks); len(missing) > 0 {
		r.wait(c, false, "disk %s of %s has not appeared", strings.Join(missing, ", "), part)
	} else if len(now.Disks) < len(before.Disks) {
		r.wait(c, false, "%s has %s, and had %d before", part, plain.Count(len(now.Disks), "disk"), len(before.Disks))
	}
}

// why adds to what is missing that it could not be read.
func why(f *facts.Function, fact string) string {
	if gap := f.Gap(fact); gap != nil {
		return ": " + gap.Path + ": " + gap.Reason
	}
	return ""
}

// without gives what is in a list and not in another.
func without(list, other []string) []string {
	return slices.DeleteFunc(slices.Clone(list), func(name string) bool { return slices.Contains(other, name) })
}
