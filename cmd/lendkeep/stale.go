package main

import (
	"errors"
	"slices"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/order"
	"lendkeep/spec/plain"
)

// mostChanges is how many changed facts are told: nobody reads more.
const mostChanges = 20

// outdated tells that an order is stale: first that it was carried out already,
// where that is so, then each fact that has changed. name is the order's file; empty:
// it was in none.
func outdated(stale carry.StaleError, sealed order.Sealed, p past, name string) error {
	f := failure{code: exitStale, details: changesOf(stale), next: "plan again, read the new order, approve that: " + planAgain(sealed.Order, name),
		err: errors.New("the host has changed since the order was written; nothing was touched")}
	if name == "" {
		f.next = "do it again"
	}
	for _, b := range slices.Backward(p.orders) {
		if b.Ended != carry.Carried {
			continue
		}
		if report, err := b.report(); err == nil && report.Sealed.ID() == sealed.ID() {
			f.err = errors.New("this order was already carried out at " + stamp(report.Last) + "; nothing was touched")
			f.next = "lendkeep rollback to undo it; lendkeep status " + plain.Quoted(sealed.Order.LayoutDir) + " to see what is now"
			break
		}
	}
	return f
}

// changesOf gives each changed fact as a line.
func changesOf(stale carry.StaleError) []string {
	var list []string
	for n, c := range stale.Changes {
		if n == mostChanges {
			return append(list, "and "+plain.Count(len(stale.Changes)-n, "more change"))
		}
		list = append(list, "changed  "+c.String())
	}
	return list
}

// planAgain is the call that writes an order anew.
func planAgain(o order.Order, name string) string {
	call := "lendkeep plan " + plain.Quoted(o.LayoutDir)
	if o.Shift != "" {
		call += " --shift " + plain.Quoted(o.Shift)
	}
	return call + " -o " + plain.Quoted(name)
}
