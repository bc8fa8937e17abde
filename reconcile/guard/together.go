package guard

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// together refuses to lend a part of a controller that is all functions of its slot,
// or one that is not what the rules have of it: what the guest means there may then
// have been noted before they were. What an order starts when it is undone may be as
// it was before the rules.
func (b *before) together() error {
	if b.started {
		return nil
	}
	held := b.call.Definition.Functions()
	meant := slices.Clone(b.call.Definition.Identities)
	controllers := b.rules.ByName()
	for _, name := range b.guest.Borrows {
		meant = append(meant, controllers[name].Identity)
	}
	for _, r := range meant {
		if !r.Whole() || !slices.ContainsFunc(held, r.Has) {
			continue
		}
		if why := b.ix.Unlike(r); why != "" {
			return fmt.Errorf("controller %s is not what it was: %s; correct the layout, or the card, and bring the rules up to date by an order", r.Controller, why)
		}
		for _, at := range r.Addresses() {
			if !slices.Contains(held, at) {
				return fmt.Errorf("its definition names %s of controller %s, but not %s: they are lent together; correct it by an order: lendkeep plan LAYOUT -o FILE, then lendkeep apply FILE", heldOf(held, r), r.Controller, at)
			}
		}
	}
	return nil
}

// heldOf gives the first function of a controller that a definition holds.
func heldOf(held []facts.Address, r facts.Identity) facts.Address {
	return held[slices.IndexFunc(held, r.Has)]
}
