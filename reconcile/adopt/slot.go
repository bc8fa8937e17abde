package adopt

import (
	"slices"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// wholeSlot gives the other functions of a slot, where a guest has all of them in one
// slot of its own, so that they are one controller; or where no guest has any, and
// they may be lent as a whole alone. Whoever else has one of them must have them all so.
func (h *host) wholeSlot(first *facts.Function) []*facts.Function {
	all := h.ix.Physical(first.Address)
	if len(all) < 2 || all[0] != first || assess.StatedWhole(h.ix, first) == nil {
		return nil
	}
	var at []facts.Address
	for _, f := range all {
		if f.NVMe != nil || f.Bridge() {
			return nil
		}
		at = append(at, f.Address)
	}
	has := false
	for _, g := range h.guests {
		if !slices.ContainsFunc(all, func(f *facts.Function) bool { return slices.Contains(g.has, f) }) {
			continue
		}
		if !definition.InOneSlot(g.Kept.XML, at) {
			return nil
		}
		has = true
	}
	if v := assess.VerdictOn(h.ix, first); has || v.MayBeLent() && len(v.With) > 0 {
		return all[1:]
	}
	return nil
}
