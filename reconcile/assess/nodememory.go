// node-memory: the guests that run at the same time and take all their memory from
// one NUMA node need more than it has, beside the huge pages that are reserved
// there. The kernel gives them none of another node's: a guest that does not get
// its memory is not started, or killed while it runs (libvirt domain format,
// `<numatune>`, mode strict).
//
// Severity: stop for the shift that is planned; caution where another is.
//
// Remedy: give the guests less memory, put them into different shifts, or let some
// run elsewhere.
package assess

import (
	"cmp"
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkNodeMemory(c *Case) []Finding {
	var list []Finding
	if len(c.Facts.Survey.Topology.Nodes) == 0 {
		return nil
	}
	if c.Shift == nil {
		list = c.nodeMemory(nil, "what would run", c.Layout.Host.At)
	}
	for i := range c.Layout.Shifts {
		s := &c.Layout.Shifts[i]
		list = append(list, c.nodeMemory(s, "shift "+s.Name, s.At)...)
	}
	return list
}

// nodeMemory sums, node by node, what is bound there and what is reserved.
func (c *Case) nodeMemory(shift *spec.Shift, name string, at spec.Place) []Finding {
	t := &c.Facts.Survey.Topology
	bound, who := map[string]uint64{}, map[string][]string{}
	for _, r := range c.crew(shift) {
		paged := r.has.PagedBytes() // in the reserve
		if r.has.MemoryNodes == "" || paged >= r.has.MemoryBytes {
			continue
		}
		bound[r.has.MemoryNodes] += r.has.MemoryBytes - paged
		who[r.has.MemoryNodes] = append(who[r.has.MemoryNodes], r.name)
	}
	var list []Finding
	for _, n := range t.Nodes {
		key := fmt.Sprint(n.Number)
		sum, reserved := bound[key], c.reservedOn(n)
		if sum == 0 || sum+reserved < n.MemoryBytes {
			continue
		}
		f := Finding{Severity: Caution, At: at,
			Summary: shorten(fmt.Sprintf("%s needs more memory than node %d has", name, n.Number)),
			Detail:  fmt.Sprintf("Guests %s take %s from node %d alone, and %s of it are reserved as huge pages; it has %s.", strings.Join(who[key], ", "), facts.Size(sum), n.Number, facts.Size(reserved), facts.Size(n.MemoryBytes)),
			Causes: []Cause{{fmt.Sprintf("/sys/devices/system/node/node%d/meminfo", n.Number), cmp.Or(facts.Size(n.MemoryBytes), none)},
				{at.String(), fmt.Sprintf("%s of %s", facts.Size(sum), strings.Join(who[key], ", "))}},
			Remedies: []string{fmt.Sprintf("give the guests less memory, together less than %s", facts.Size(n.MemoryBytes-min(reserved, n.MemoryBytes))), "put them into different shifts", "take near out of one of them, and the <numatune> that its definition keeps"},
		}
		if c.Shift == shift {
			f.Severity = Stop
		}
		list = append(list, f)
	}
	return list
}

// reservedOn sums the huge pages that a node has, and those that it will have for
// the layout.
func (c *Case) reservedOn(n facts.Node) (sum uint64) {
	for _, p := range n.HugePages {
		kept := p.Kept()
		for _, r := range c.Reserves() {
			if r.Node == n.Number && r.SizeBytes == p.SizeBytes {
				kept = r.After
			}
		}
		sum += uint64(kept) * p.SizeBytes
	}
	return sum
}
