package order

import (
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// keepPages brings the reserves of huge pages in line. Whoever is shut down and
// stays off, or is defined anew with other pages, leaves its memory first.
func (p *planner) keepPages() {
	for _, r := range p.c.Reserves() {
		if r.Before == r.After {
			continue
		}
		s := &step.KeepPages{Node: r.Node, SizeBytes: r.SizeBytes, Before: r.Before, After: r.After, Guests: r.Guests}
		var why spec.Place
		for i := range p.c.Layout.Guests {
			g := &p.c.Layout.Guests[i]
			concerned := slices.Contains(r.Guests, g.Name)
			if concerned && why == (spec.Place{}) {
				why = g.At
			}
			if p.stops[g.Name] && (concerned || !p.c.Runs(g)) {
				s.Off = append(s.Off, g.Name)
			}
		}
		p.add(s, why)
	}
}

// pagesOf names the huge pages that steps of this order reserve and among which a
// guest finds its own, for whomever they are.
func (p *planner) pagesOf(g *spec.Guest) []string {
	var list []string
	for _, h := range p.c.Holds(g) {
		for _, r := range p.c.Reserves() {
			pages := step.PagesOn(r.Node, r.SizeBytes)
			if r.Before < r.After && (h.Node == r.Node || h.Node == facts.AnyNode) && h.SizeBytes == r.SizeBytes && !slices.Contains(list, pages) {
				list = append(list, pages)
			}
		}
	}
	return list
}
