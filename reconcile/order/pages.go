package order

import (
	"slices"

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

// pagesOf names the huge pages that a step of this order reserves for a guest.
func (p *planner) pagesOf(g *spec.Guest) string {
	for _, r := range p.c.Reserves() {
		if r.Before < r.After && slices.Contains(r.Guests, g.Name) {
			if h, has := p.c.Holds(g); has && h.Node == r.Node && h.SizeBytes == r.SizeBytes {
				return step.PagesOn(r.Node, r.SizeBytes)
			}
		}
	}
	return ""
}
