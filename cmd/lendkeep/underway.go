package main

import (
	"context"
	"errors"

	"lendkeep/providers/hook"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// tellGuard tells the guard of this machine of an order for as long as it is
// carried out, and of each guest that the order starts for as long as that takes:
// the guard lets nobody else who borrows pass meanwhile.
func tellGuard(guests step.Guests, o order.Order) (step.Guests, func() error, error) {
	told, starts := o.Underway()
	word := hook.Word{Folder: hook.GrantsFolder, Now: hook.Now}
	if err := word.Tell(told); err != nil {
		return nil, nil, fail(exitUsage, asRoot(err), "%w", err)
	}
	return announced{guests, word, told, starts}, word.Withdraw, nil
}

// announced are guests whose starts the guard is told of.
type announced struct {
	step.Guests
	word   hook.Word
	told   guard.Ordered
	starts map[string][]facts.Identity
}

// Start implements step.Guests.
func (a announced) Start(ctx context.Context, name string) error {
	takes, ordered := a.starts[name]
	if !ordered { // then the guard says why not
		return a.Guests.Start(ctx, name)
	}
	now := a.told
	now.Start, now.Takes = name, takes
	if err := a.word.Tell(now); err != nil {
		return err
	}
	return errors.Join(a.Guests.Start(ctx, name), a.word.Tell(a.told))
}
