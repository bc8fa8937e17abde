// memory: the guests that run at the same time need more memory than the host
// has: those of a shift, and those beside them.
//
// A guest with a lent device has all its memory pinned, since the device may
// write to any of it at any time (Linux Documentation/driver-api/vfio.rst), so
// nothing of it can be swapped out or shared, whether the layout says that it
// borrows the device or not. The guests without one can at least be squeezed. Huge
// pages that are reserved for others are nobody's.
//
// Severity: stop where the pinned part alone is more than there is; caution where
// all together are, or where another shift is planned.
//
// Remedy: give the guests less memory, or put them into different shifts.
package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkMemory(c *Case) []Finding {
	have := c.Facts.Survey.Machine.MemoryBytes
	if have == 0 {
		return nil
	}
	var list []Finding
	if c.Shift == nil && slices.ContainsFunc(c.crew(nil), func(r running) bool { return r.starts }) {
		list = c.memory(nil, "what would run", c.Layout.Host.At, have)
	}
	for i := range c.Layout.Shifts {
		s := &c.Layout.Shifts[i]
		list = append(list, c.memory(s, "shift "+s.Name, s.At, have)...)
	}
	return list
}

// memory holds what the guests of a shift need against what the host has.
func (c *Case) memory(shift *spec.Shift, name string, at spec.Place, have uint64) []Finding {
	pinned, all, who := c.need(shift)
	idle := c.idlePages(shift)
	f := Finding{Severity: Caution, At: at,
		Causes:   []Cause{{"/proc/meminfo", "MemTotal " + facts.Size(have) + beside(idle)}, {at.String(), fmt.Sprintf("pinned %s, all guests %s: %s", facts.Size(pinned), facts.Size(all), strings.Join(who, ", "))}},
		Remedies: []string{"give the guests less memory", "put them into different shifts"},
	}
	switch {
	case pinned+idle >= have:
		f.Summary = shorten(name + " pins more memory than the host has")
		f.Detail = "The memory of guests with lent devices is pinned; the host would run out of it, and kill something."
		if c.Shift == nil || c.Shift == shift {
			f.Severity = Stop
		}
	case all+idle >= have:
		f.Summary = shorten(name + " needs more memory than there is")
		f.Detail = "Part of it would have to be swapped, and none of the pinned part can be."
	default:
		return nil
	}
	return []Finding{f}
}

// idlePages sums the huge pages that are reserved, by now or by the order, and that
// no guest of a shift has its memory in: nobody else can have any of it.
func (c *Case) idlePages(shift *spec.Shift) uint64 {
	var kept, taken uint64
	for _, p := range c.Facts.Survey.Machine.HugePages {
		kept += uint64(p.Kept()) * p.SizeBytes
	}
	for _, r := range c.Reserves() {
		kept += uint64(max(0, r.After-r.Before)) * r.SizeBytes
		taken += uint64(max(0, r.Before-r.After)) * r.SizeBytes // given back
	}
	for _, r := range c.crew(shift) {
		taken += r.has.PagedBytes()
	}
	return kept - min(kept, taken)
}

func beside(idle uint64) string {
	if idle == 0 {
		return ""
	}
	return ", of which " + facts.Size(idle) + " are huge pages of none of them"
}

// need sums the memory of all guests that run in a shift.
func (c *Case) need(shift *spec.Shift) (pinned, all uint64, who []string) {
	for _, one := range c.claimants(shift) {
		all += one.bytes
		if one.pins {
			pinned += one.bytes
		}
		who = append(who, one.name)
	}
	return pinned, all, who
}

// claimant is a guest by the memory that it claims.
type claimant struct {
	name  string
	bytes uint64
	pins  bool   // all of it stays in place
	huge  uint64 // how much of it is in huge pages
}

// claimants gives all guests that run in a shift. One that cannot be defined yet
// counts with what the layout states.
func (c *Case) claimants(shift *spec.Shift) []claimant {
	crew := c.crew(shift)
	list := make([]claimant, 0, len(crew))
	counted := make(map[string]bool, len(crew))
	for _, r := range crew {
		counted[r.name] = true
		list = append(list, claimant{r.name, r.has.MemoryBytes, r.has.Pins(), r.has.PagedBytes()})
	}
	for i := range c.Layout.Guests {
		if g := &c.Layout.Guests[i]; g.Memory != nil && !counted[g.Name] && c.runsIn(shift, g) {
			list = append(list, claimant{g.Name, g.Memory.SizeBytes, len(g.Borrows) > 0, 0})
		}
	}
	return list
}
