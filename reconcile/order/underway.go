package order

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

// Underway gives what the guard is told of an order while it is carried out or
// undone, and for each guest that a step or its undo starts, which controllers it
// then gets. A guest that is not in it is not started by this order.
func (o Order) Underway() (guard.Ordered, map[string][]facts.Identity) {
	told := guard.Ordered{Guests: []string{}, Mounts: []string{}, Takes: []facts.Identity{}}
	starts := map[string][]facts.Identity{}
	for _, w := range o.Steps {
		about := w.Step.About()
		for _, c := range slices.Concat(about.Needs, about.Gives) {
			switch things[c.Of.Kind].starts {
			case ofGuest:
				told.Guests = append(told.Guests, c.Of.Name)
			case atPlace:
				told.Mounts = append(told.Mounts, c.Of.Name)
			}
		}
		switch s := w.Step.(type) {
		case *step.StartGuest:
			starts[s.Guest] = with(starts[s.Guest], s.Borrows)
		case *step.StopGuest:
			starts[s.Guest] = with(starts[s.Guest], s.LetsGo)
			for _, m := range s.Mounts {
				told.Mounts = append(told.Mounts, m.Path)
			}
		}
	}
	told.Guests, told.Mounts = once(told.Guests), once(told.Mounts)
	return told, starts
}

// with gives records with others added, each once; never nil.
func with(list, more []facts.Identity) []facts.Identity {
	made := append([]facts.Identity{}, list...)
	for _, r := range more {
		if !slices.Contains(made, r) {
			made = append(made, r)
		}
	}
	return made
}

func once(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}
