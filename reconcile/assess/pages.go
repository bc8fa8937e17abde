// huge-pages: a guest's memory is to lie in huge pages, stated or as its definition
// has them, and the host has none of that size, too few that would be free when it
// starts, or too little memory for them on the node.
//
// An order reserves the pages that the layout states, on the node that a guest's memory
// comes from (`near`, or a host of one node). The kernel makes them of free memory
// that lies in one piece; where it finds fewer, the step fails and is undone. A guest
// that finds too few does not start. Pages that a program was promised and has not
// touched yet are free by the kernel's count and go to nobody else (HugePages_Rsvd in
// Linux Documentation/admin-guide/mm/hugetlbpage.rst).
//
// Severity: stop for a guest that the order starts, where the host has no such
// pages or too few that are free then, and where the node has less memory than is to be
// reserved, since an order reserves for every shift; else caution, also where less of it
// is free now, where other guests may take the pages of the node, and where the kernel
// may make more of free memory.
//
// Remedy: state the pages, so that an order reserves them; take pages of a size that
// the host has, or less memory; let the kernel reserve them when the host starts:
// hugepagesz= and hugepages= on its command line
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
		holds := c.Holds(g)
		if g.Retired || len(holds) == 0 || c.RunsNow(g.Name) && !c.startedBy(g) {
			continue
		}
		f := Finding{Severity: c.severityOf(g), At: g.At, Causes: []Cause{{"definition of guest " + g.Name, "<hugepages>, which the layout does not state"}}}
		if statesPages(g) {
			f.At, f.Causes = g.Memory.At, []Cause{{g.Memory.At.String(), "huge pages for guest " + g.Name + ", " + facts.Size(g.Memory.SizeBytes) + " of memory"}}
		}
		if n := slices.IndexFunc(holds, func(h facts.Hold) bool { return !c.pagesOf(h.PagePool) }); n >= 0 {
			list = append(list, c.noPages(g, f, holds[n].SizeBytes))
		} else if short, found, may := c.lacking(g, holds); short.Pages > 0 {
			list = append(list, c.tooFew(g, f, short, found, may))
		}
	}
	for _, r := range c.Reserves() {
		list = append(list, c.roomFor(r)...)
	}
	return list
}

// pagesOf tells whether there can be such pages: on the node, or where that is not
// known on the host.
func (c *Case) pagesOf(of facts.PagePool) bool {
	if n := c.Facts.Survey.Topology.Node(of.Node); n != nil {
		return n.Pages(of.SizeBytes) != nil || c.Facts.Survey.Topology.Gap(fmt.Sprint("node ", n.Number)) != nil
	}
	return slices.ContainsFunc(c.Facts.Survey.Machine.HugePages, func(p facts.Pages) bool { return p.SizeBytes == of.SizeBytes && of.SizeBytes != 0 })
}

func (c *Case) noPages(g *spec.Guest, f Finding, size uint64) Finding {
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

// lacking gives what a guest would not find of its pages when it starts, and how much
// there is; may is true where that is only so if others take theirs from the same node.
// One that the order does not start is asked for by itself: as if every guest of the
// layout were off.
func (c *Case) lacking(g *spec.Guest, holds []facts.Hold) (short facts.Hold, found int, may bool) {
	for _, worst := range []bool{false, true} {
		if short, found = c.shortOf(g, holds, worst); short.Pages > 0 {
			return short, found, worst
		}
	}
	return facts.Hold{}, 0, false
}

func (c *Case) shortOf(g *spec.Guest, holds []facts.Hold, worst bool) (facts.Hold, int) {
	started := c.startedBy(g)
	room := c.roomAfter(!started)
	for _, r := range c.crew(c.Shift) {
		switch {
		case r.stated == g:
			short, found, _ := room.Take(holds, worst)
			return short, found
		case started && r.starts:
			room.Take(c.Facts.Survey.Topology.Holds(r.has), worst)
		}
	}
	short, found, _ := room.Take(holds, worst)
	return short, found
}

// roomAfter gives the pages that are free once the order has shut guests down and
// reserved what it reserves; of a guest that is off the kernel takes back what was
// beyond its reserve. With all it is as if no guest of the layout ran.
func (c *Case) roomAfter(all bool) facts.FreePages {
	t := &c.Facts.Survey.Topology
	room := c.Facts.Survey.FreePages()
	for _, r := range c.Reserves() {
		room.Add(facts.Hold{PagePool: facts.PagePool{Node: r.Node, SizeBytes: r.SizeBytes}, Pages: r.After - r.Before})
	}
	stays := map[string]bool{}
	for _, r := range c.crew(c.Shift) {
		stays[r.name] = !r.starts && !(all && r.stated != nil)
	}
	surplus := map[facts.PagePool]int{}
	for _, n := range t.Nodes {
		for _, p := range n.HugePages {
			surplus[facts.PagePool{Node: n.Number, SizeBytes: p.SizeBytes}] = p.Surplus
		}
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		live := inForce(g)
		if !g.Running || live == nil || stays[g.Name] {
			continue
		}
		for _, h := range t.Holds(live) {
			gone := min(surplus[h.PagePool], h.Pages)
			surplus[h.PagePool] -= gone
			h.Pages -= gone
			room.Add(h)
		}
	}
	return room
}

// leavesPages tells whether a guest's huge pages are of a size of which another one
// finds too few now.
func (c *Case) leavesPages(live, d *facts.Definition) bool {
	t := &c.Facts.Survey.Topology
	holds := t.Holds(d)
	if _, _, ok := c.Facts.Survey.FreePages().Take(holds, true); ok {
		return false
	}
	return slices.ContainsFunc(t.Holds(live), func(h facts.Hold) bool {
		return slices.ContainsFunc(holds, func(other facts.Hold) bool { return other.SizeBytes == h.SizeBytes })
	})
}

func (c *Case) tooFew(g *spec.Guest, f Finding, short facts.Hold, found int, may bool) Finding {
	size := facts.Size(short.SizeBytes)
	path := "/sys/kernel/mm/hugepages"
	if short.Node != facts.AnyNode {
		path = fmt.Sprintf("/sys/devices/system/node/node%d/hugepages", short.Node)
	}
	f.Summary = shorten("too few huge pages for guest " + g.Name)
	f.Detail = fmt.Sprintf("It needs %s of %s %s, and finds %d: it cannot start.", plain.Count(short.Pages, "page"), size, short.On(), found)
	f.Causes = append(f.Causes, Cause{path, fmt.Sprintf("fewer than %d of %s are free", short.Pages, size)})
	for _, p := range c.Facts.Survey.Machine.HugePages {
		if p.SizeBytes != short.SizeBytes {
			continue
		}
		if p.Promised > 0 {
			f.Causes = append(f.Causes, Cause{fmt.Sprintf("/sys/kernel/mm/hugepages/hugepages-%dkB/resv_hugepages", p.SizeBytes>>10), fmt.Sprintf("%d of the free ones are promised to programs", p.Promised)})
		}
		if spare := c.Facts.Survey.Spare(p.SizeBytes); spare >= short.Pages-found {
			f.Severity = Caution
			f.Detail += fmt.Sprintf(" But the kernel may make up to %d more of free memory then (nr_overcommit_hugepages).", spare)
		}
	}
	if may {
		f.Severity = Caution
		f.Summary = shorten("guest " + g.Name + " may find too few huge pages")
		f.Detail = fmt.Sprintf("It needs %s of %s %s. Guests that start with it bind theirs to no node and may take them there: then it finds %d and does not start.", plain.Count(short.Pages, "page"), size, short.On(), found)
	}
	if !statesPages(g) {
		f.Remedies = append(f.Remedies, "have an order reserve them: huge_pages = true in memory of guest "+g.Name)
	}
	if short.Node == facts.AnyNode && len(c.Facts.Survey.Topology.Nodes) > 1 {
		f.Remedies = append(f.Remedies, "say near which controller the guest runs: cpu { near = ... }")
	}
	f.Remedies = append(f.Remedies, "reserve them by hand, or on the kernel's command line: hugepagesz= and hugepages=")
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
	switch {
	case more == 0:
		return nil
	case want >= n.MemoryBytes: // whichever shift is planned, the step would fail
		f.Severity = Stop
		for _, name := range r.Guests {
			if g := c.Stated(name); g != nil {
				f.At = g.At
			}
		}
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
