// huge-pages: a guest's memory shall lie in huge pages, and the host has none of
// that size, too little memory for them on the node, or nobody reserves them.
//
// An order reserves the pages on the node that a guest's memory comes from (`near`,
// or a host of one node). The kernel makes them of free memory that lies in one
// piece; where it finds fewer, the step fails and is undone. A guest that finds too
// few does not start.
//
// Severity: stop for a guest that the order starts, where the host has no such
// pages or the node not that much memory; else caution, also where less of it is
// free now than is to be reserved.
//
// Remedy: take pages of a size that the host has, or less memory; let the kernel
// reserve them when the host starts: hugepagesz= and hugepages= on its command line
// (Linux Documentation/admin-guide/kernel-parameters.txt).
package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkPages(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if g.Retired || g.Memory == nil || g.Memory.HugePages == nil || !*g.Memory.HugePages {
			continue
		}
		f := Finding{At: g.Memory.At, Causes: []Cause{{g.Memory.At.String(), "huge pages for guest " + g.Name + ", " + facts.Size(g.Memory.SizeBytes) + " of memory"}}}
		hold, known := c.Holds(g)
		switch size := cmp.Or(hold.SizeBytes, g.Memory.PageBytes, c.Facts.Survey.Topology.PageSize); {
		case size == 0 || !c.pagesOf(hold, known, size):
			list = append(list, c.noPages(g, f, size))
		case !known && !c.enoughPages(g, size):
			list = append(list, c.unreserved(g, f, size))
		}
	}
	for _, r := range c.Reserves() {
		list = append(list, c.roomFor(r)...)
	}
	return list
}

// pagesOf tells whether there can be pages of that size: on the node, or where that
// is not known on the host.
func (c *Case) pagesOf(hold facts.Hold, known bool, size uint64) bool {
	if n := c.Facts.Survey.Topology.Node(hold.Node); known && n != nil {
		return n.Pages(size) != nil || c.Facts.Survey.Topology.Gap(fmt.Sprint("node ", n.Number)) != nil
	}
	return slices.ContainsFunc(c.Facts.Survey.Machine.HugePages, func(p facts.Pages) bool { return p.SizeBytes == size })
}

func (c *Case) noPages(g *spec.Guest, f Finding, size uint64) Finding {
	f.Severity = c.severityOf(g)
	of := "a size that nobody names"
	if size != 0 {
		of = facts.Size(size)
	}
	f.Summary = shorten(fmt.Sprintf("no huge pages of %s for guest %s", of, g.Name))
	f.Detail = "The host's kernel has no pages of that size for it, so that the guest cannot start."
	var has []string
	for _, p := range c.Facts.Survey.Machine.HugePages {
		has = append(has, facts.Size(p.SizeBytes))
	}
	f.Causes = append(f.Causes, Cause{"/sys/kernel/mm/hugepages", cmp.Or(strings.Join(has, ", "), none)})
	f.Remedies = []string{"take no huge pages: huge_pages = false"}
	if len(has) > 0 {
		f.Remedies = append([]string{"take pages of a size that the host has: " + strings.Join(has, ", ")}, f.Remedies...)
	}
	return f
}

// enoughPages tells whether a guest of which the node is not known runs, or finds
// its pages anywhere on the host as it is.
func (c *Case) enoughPages(g *spec.Guest, size uint64) bool {
	return c.RunsNow(g.Name) || slices.ContainsFunc(c.Facts.Survey.Machine.HugePages, func(p facts.Pages) bool {
		return p.SizeBytes == size && uint64(p.Free)*size >= g.Memory.SizeBytes
	})
}

func (c *Case) unreserved(g *spec.Guest, f Finding, size uint64) Finding {
	f.Severity = Caution
	f.Summary = shorten("nobody reserves the huge pages of guest " + g.Name)
	f.Detail = "On which NUMA node its memory is to be is not known, so that the order reserves nothing; and fewer are free than it needs."
	f.Causes = append(f.Causes, Cause{"/sys/kernel/mm/hugepages", fmt.Sprintf("fewer than %d of %s are free", (g.Memory.SizeBytes-1)/size+1, facts.Size(size))})
	f.Remedies = []string{"say near which controller the guest runs: cpu { near = ... }", "reserve them by hand, or on the kernel's command line: hugepagesz= and hugepages="}
	return f
}

// roomFor holds a reserve against the memory of its node.
func (c *Case) roomFor(r Reserve) []Finding {
	n := c.Facts.Survey.Topology.Node(r.Node)
	others, more := uint64(0), uint64(max(0, r.After-r.Before))*r.SizeBytes
	for _, p := range n.HugePages {
		if p.SizeBytes != r.SizeBytes {
			others += uint64(p.Kept()) * p.SizeBytes
		}
	}
	want := uint64(r.After)*r.SizeBytes + others
	f := Finding{Severity: Caution, At: c.Layout.Host.At,
		Causes: []Cause{{fmt.Sprintf("/sys/devices/system/node/node%d/meminfo", n.Number), fmt.Sprintf("MemTotal %s, MemFree %s", facts.Size(n.MemoryBytes), facts.Size(n.FreeBytes))},
			{"the layout", fmt.Sprintf("%s of %s on node %d, for %s", plain.Count(r.After, "page"), facts.Size(r.SizeBytes), r.Node, strings.Join(r.Guests, ", "))}},
		Remedies: []string{"give these guests less memory", "put them into different shifts", "reserve the pages when the host starts: hugepagesz= and hugepages= on the kernel's command line"},
	}
	for _, name := range r.Guests {
		if g := c.Stated(name); g != nil && want >= n.MemoryBytes && c.severityOf(g) == Stop {
			f.Severity, f.At = Stop, g.At
		}
	}
	switch {
	case more == 0:
		return nil
	case want >= n.MemoryBytes:
		f.Remedies[0] += r.most((max(n.MemoryBytes, others+1) - others - 1) / r.SizeBytes)
		f.Summary = fmt.Sprintf("node %d has too little memory for the huge pages", n.Number)
		f.Detail = fmt.Sprintf("All reserves of node %d together would be %s, and it has %s.", n.Number, facts.Size(want), facts.Size(n.MemoryBytes))
		f.Remedies = f.Remedies[:2]
	case more > n.FreeBytes:
		f.Remedies[0] += r.most(uint64(r.Before) + n.FreeBytes/r.SizeBytes)
		f.Summary = fmt.Sprintf("node %d may have too little free for the huge pages", n.Number)
		f.Detail = fmt.Sprintf("%s are to be reserved and %s are free now; guests that the order shuts down leave theirs. Where the kernel finds fewer, the step fails and is undone.", facts.Size(more), facts.Size(n.FreeBytes))
	default:
		return nil
	}
	return []Finding{f}
}

// most says how much of a reserve fits; what the kernel and others take of the node
// comes off that.
func (r Reserve) most(pages uint64) string {
	return fmt.Sprintf(", at most %s together (%s)", facts.Size(pages*r.SizeBytes), plain.Count(int(pages), "page"))
}
