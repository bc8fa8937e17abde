// lone-function: a function is to be lent while others of its card stay with the
// host, or go to somebody else. Functions of one slot are one chip, and some are one
// device to whoever uses it: the sound of a graphics card goes out of the same socket
// as its picture, and its USB is the other end of the same plug.
//
// Where they share an IOMMU group, the finding group says whether it can be lent at
// all; where another is in use, card says by whom.
//
// Severity: caution for a graphics card and its sound or USB, and where it is not
// known what a function is; else note.
//
// Remedy: state all functions of the slot as one controller, which is then lent and
// returned as a whole.
package assess

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Subclass of sound, and base class of serial buses, USB among them (PCI Code and ID
// Assignment Specification 1.11, 1.5 and 1.13; that of displays is in display.go).
const (
	classAudio = 0x0403
	baseSerial = 0x0c
)

func checkLone(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if f, bad := c.lone(l); bad {
			list = append(list, f)
		}
	}
	return list
}

// lone tells of a controller's slot once, by its first function. Virtual functions are
// meant to be lent one by one.
func (c *Case) lone(l loan) (Finding, bool) {
	if l.Function != l.own[0] || l.Parent != nil {
		return Finding{}, false
	}
	f := Finding{Severity: Note, At: l.at,
		Summary:  shorten("only a part of the card of " + l.name + " is lent"),
		Detail:   l.Title() + " and the others are one card: what is done to one of them, as a reset, they may all feel.",
		Remedies: []string{"lend the others to the same guest, each as a controller", "lend another controller"},
	}
	all := c.Facts.Physical(l.Address)
	for _, other := range all {
		if slices.Contains(l.own, other) || l.along[other.Address] || other.Bridge() {
			continue
		}
		f.Causes = append(f.Causes, causeOf(other, "class", fmt.Sprintf("%06x, %s", other.Class, other.Title())))
		if oneDevice(l.Function, other) || oneDevice(other, l.Function) {
			f.Severity = Caution
		}
	}
	f.Remedies = append(c.together(all), f.Remedies...)
	return f, len(f.Causes) > 0
}

// oneDevice tells whether a display and another function of its slot are, or may be,
// one device to whoever uses it.
func oneDevice(display, other *facts.Function) bool {
	if display.Gap("class") != nil || other.Gap("class") != nil {
		return true
	}
	return display.Class>>16 == classDisplay && (other.Class>>8 == classAudio || other.Class>>16 == baseSerial)
}

// together advises how to state all functions of a slot; nothing where no layout can,
// or where one of them is a bridge, which is not lent.
func (c *Case) together(all []*facts.Function) []string {
	if slices.ContainsFunc(all, func(f *facts.Function) bool { return f.Bridge() }) {
		return nil
	}
	if whole := StatedWhole(c.Facts, all[0]); whole != nil {
		return []string{"state them as one controller: " + pciWords(whole)}
	}
	return nil
}
