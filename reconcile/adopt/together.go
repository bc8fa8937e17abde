package adopt

import (
	"cmp"
	"slices"

	"lendkeep/reconcile/facts"
)

// together tells whether two guests that are carried over can run at the same time:
// they want no one thing, and neither lives on what the other borrows.
func (h *host) together(a, b *guest) bool {
	for _, c := range h.borrows(a) {
		if slices.Contains(h.borrows(b), c) || slices.Contains(h.livesOn(b), c) {
			return false
		}
	}
	for _, c := range h.borrows(b) {
		if slices.Contains(h.livesOn(a), c) {
			return false
		}
	}
	_, _, clash := facts.Clash(h.claims(a), h.claims(b))
	return !clash
}

// claims gives what a guest has of the host when it runs; asked once.
func (h *host) claims(g *guest) []facts.Piece {
	if g.claims == nil {
		g.claims = h.ix.Claims(g.Kept)
	}
	return g.claims
}

// sets gives for each guest a set of those that can run with it and with each
// other, as large as it gets; a set that is there already is not given twice.
func (h *host) sets(all []*guest) [][]*guest {
	covered := map[*guest]bool{}
	var list [][]*guest
	for _, first := range all {
		if covered[first] {
			continue
		}
		set := []*guest{first}
		for _, g := range all {
			if g != first && !slices.ContainsFunc(set, func(in *guest) bool { return !h.together(in, g) }) {
				set = append(set, g)
			}
		}
		for _, g := range set {
			covered[g] = true
		}
		slices.SortFunc(set, func(a, b *guest) int { return cmp.Compare(a.Name, b.Name) })
		list = append(list, set)
	}
	return list
}

// candidate gives a guest to which a controller could be lent as an example: the
// first that has nothing to do with any, is off, and is not in use as one.
func (h *host) candidate(used map[*guest]bool, carried []*guest) *guest {
	for _, g := range h.guests {
		if g.out == "" && !g.Running && !used[g] && len(g.has) == 0 && !slices.Contains(carried, g) {
			used[g] = true
			return g
		}
	}
	return nil
}
