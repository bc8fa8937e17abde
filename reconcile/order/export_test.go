package order

import (
	"maps"
	"slices"

	"lendkeep/reconcile/step"
)

// Passing lists the facts on which no order relies, with the reasons.
var Passing = passing

// SayOf tells a fact as orders hold it.
var SayOf = sayOf

// Things names the kinds of thing that orders know.
func Things() []string { return slices.Sorted(maps.Keys(things)) }

// First tells whether it is known how such a thing stands before an order.
func First(kind string) bool { return things[kind].first != nil }

// Relied tells whether it is known which facts are relied on for such a thing.
func Relied(kind string) bool { return things[kind].read != nil || things[kind].under != nil }

// Affects tells whether it is known which starts such a thing affects.
func Affects(kind string) bool { return things[kind].starts != 0 }

// Sequence sorts steps on a host of which nothing is known.
func Sequence(steps ...step.Written) error {
	_, err := sequence(steps, (&planner{}).initially)
	return err
}
