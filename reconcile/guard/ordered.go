package guard

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// Ordered is what an order that is being carried out, or undone, says of itself.
// The zero value says nothing: then nobody is started who borrows anything or
// lives on a return mount.
type Ordered struct {
	Told   bool     `json:"-"`
	Guests []string `json:"guests"` // that it starts, stops or changes: what they let go is its own matter
	Mounts []string `json:"mounts"` // every place at which it mounts or unmounts something
	// Start is the guest that it starts at this very moment, and Takes the
	// controllers that this one gets: rules of before the order, or after it, may
	// not lend them to it.
	Start string           `json:"start,omitempty"`
	Takes []facts.Identity `json:"takes"`
}

// Starts tells whether an order under way starts a guest at this moment; without
// an order nothing does.
func (o *Ordered) Starts(guest string) bool {
	return o != nil && o.Told && o.Start != "" && o.Start == guest
}

// Owns tells whether a guest is the matter of an order under way.
func (o *Ordered) Owns(guest string) bool { return o.Told && slices.Contains(o.Guests, guest) }

// leaves tells whether an order leaves a place alone.
func (o *Ordered) leaves(place string) bool {
	return o.Told && !slices.ContainsFunc(o.Mounts, func(m string) bool { return facts.Within(m, place) })
}

// undisturbed refuses, while an order is being carried out, whoever it does not
// start itself: between two of its steps, and within one, a start would take a
// drive away that it writes, or open a file below a mount that it takes away.
func (b *before) undisturbed() error {
	o := b.call.Ordered
	if o == nil || b.started {
		return nil
	}
	if held := b.call.Definition.Functions(); len(held) > 0 {
		return fmt.Errorf("it borrows %s, and an order is being carried out that does not start it now; start it when that has ended, as lendkeep status --orders tells", held[0])
	}
	for _, c := range b.rules.Controllers {
		for _, m := range c.Mounts {
			if lives := b.livesOn(m.Path); lives != "" && !o.leaves(m.Path) {
				return fmt.Errorf("%s %s, and an order is being carried out that may unmount it; start it when that has ended, as lendkeep status --orders tells", lives, m.Path)
			}
		}
	}
	return nil
}

// takes gives what an order under way says that its guest gets at an address.
func (b *before) takes(at facts.Address) []facts.Identity {
	if !b.started {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(b.call.Ordered.Takes), func(r facts.Identity) bool { return !r.Has(at) })
}

// borrows tells whether a guest may have a controller that sits at an address: by
// the rules, or by the order that starts it and means just that controller, by
// whatever name.
func (b *before) borrows(c *Controller, at facts.Address) bool {
	if slices.Contains(b.guest.Borrows, c.Identity.Controller) {
		return true
	}
	return slices.ContainsFunc(b.takes(at), func(r facts.Identity) bool {
		return r.Serial == c.Identity.Serial && r.Vendor == c.Identity.Vendor && r.Device == c.Identity.Device
	})
}
