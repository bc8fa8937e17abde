package memory

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"lendkeep/reconcile/facts"
)

// KeepPages sets a node's huge pages. Like the kernel it gives what it finds: at
// most what is free on the node; and pages in use stay until they are let go, as
// surplus (Linux Documentation/admin-guide/mm/hugetlbpage.rst).
func (h *Host) KeepPages(ctx context.Context, node int, sizeBytes uint64, pages int) error {
	return h.deed(fmt.Sprintf("keep %d huge pages of %s on node %d", pages, facts.Size(sizeBytes), node), func() error {
		n, p := h.pages(node, sizeBytes)
		if p == nil {
			return fmt.Errorf("open /sys/devices/system/node/node%d/hugepages/hugepages-%dkB/nr_hugepages: no such file or directory", node, sizeBytes>>10)
		}
		used := p.Total - p.Free
		total := max(pages, used)
		if more := total - p.Total; more > 0 {
			total = p.Total + min(more, int(n.FreeBytes/sizeBytes))
		}
		h.resize(n, p, total)
		p.Surplus = max(0, used-pages)
		if p.Kept() < pages {
			return fmt.Errorf("the kernel has found %d of %d", p.Kept(), pages)
		}
		return nil
	})
}

func (h *Host) pages(node int, sizeBytes uint64) (*facts.Node, *facts.Pages) {
	n := h.survey.Topology.Node(node)
	if n == nil {
		return nil, nil
	}
	return n, n.Pages(sizeBytes)
}

// resize gives a node another number of pages, of memory that is free.
func (h *Host) resize(n *facts.Node, p *facts.Pages, total int) {
	more := total - p.Total
	n.FreeBytes -= uint64(more) * p.SizeBytes // of fewer: more again
	p.Total, p.Free = total, p.Free+more
	h.count(p.SizeBytes, more, more)
}

// count adds to what the kernel says of all nodes together.
func (h *Host) count(sizeBytes uint64, total, free int) {
	all := h.survey.Machine.HugePages
	if i := slices.IndexFunc(all, func(p facts.Pages) bool { return p.SizeBytes == sizeBytes }); i >= 0 {
		all[i].Total, all[i].Free = all[i].Total+total, all[i].Free+free
	}
}

// takePages gives a guest that starts its huge pages, or answers as QEMU does
// (its text from memory). What is bound to no node comes from where most are free.
func (h *Host) takePages(g *facts.Guest) error {
	holds := h.survey.Topology.Holds(g.Kept)
	for _, hold := range holds {
		if !slices.ContainsFunc(h.survey.Machine.HugePages, func(p facts.Pages) bool { return p.SizeBytes == hold.SizeBytes }) {
			return fmt.Errorf("internal error: Unable to find any usable hugetlbfs mount for %d KiB", hold.SizeBytes>>10)
		}
	}
	if _, _, ok := h.survey.FreePages().Take(holds, false); !ok {
		return fmt.Errorf("internal error: process exited while connecting to monitor: qemu-system-x86_64: unable to map backing store for guest RAM: Cannot allocate memory")
	}
	had, left := h.held[g.Name], h.survey.FreePages()
	if _, _, ok := left.Take(had, false); ok && maps.Equal(bySize(holds), bySize(had)) {
		holds = had
	}
	var held []facts.Hold
	for _, hold := range holds {
		held = append(held, h.movePages(hold, -1)...)
	}
	h.held[g.Name] = held
	return nil
}

// bySize gives how many pages of each size are held.
func bySize(holds []facts.Hold) map[uint64]int {
	sum := map[uint64]int{}
	for _, hold := range holds {
		sum[hold.SizeBytes] += hold.Pages
	}
	return sum
}

// movePages takes pages from a node, or from those that have most of them, or with 1 gives
// as many back; it tells from where.
func (h *Host) movePages(hold facts.Hold, sign int) (list []facts.Hold) {
	h.count(hold.SizeBytes, 0, sign*hold.Pages)
	room := func(p *facts.Pages) int {
		if sign > 0 {
			return p.Total - p.Free
		}
		return p.Free
	}
	for hold.Pages > 0 {
		var from *facts.Node
		for i := range h.survey.Topology.Nodes {
			n := &h.survey.Topology.Nodes[i]
			p := n.Pages(hold.SizeBytes)
			if p != nil && room(p) > 0 && (hold.Node == n.Number || hold.Node == facts.AnyNode) && (from == nil || room(p) > room(from.Pages(hold.SizeBytes))) {
				from = n
			}
		}
		if from == nil {
			return append(list, hold) // a kernel that shows no nodes
		}
		p := from.Pages(hold.SizeBytes)
		some := facts.Hold{PagePool: facts.PagePool{Node: from.Number, SizeBytes: hold.SizeBytes}, Pages: min(hold.Pages, room(p))}
		p.Free += sign * some.Pages
		list, hold.Pages = append(list, some), hold.Pages-some.Pages
	}
	return list
}

// bootPages gives the reserves what a start of the host makes: what there was when
// the survey was taken. No guest runs then.
func (h *Host) bootPages() {
	for _, was := range h.reserved {
		for _, q := range was.HugePages {
			if n, p := h.pages(was.Number, q.SizeBytes); p != nil {
				h.resize(n, p, q.Kept())
				p.Surplus = 0
			}
		}
	}
}

// letPages takes them back when it has ended; what was surplus goes. Of a guest that
// ran when the survey was taken nobody knows where those are that it binds to no node.
func (h *Host) letPages(g *facts.Guest, d *facts.Definition) {
	holds := h.held[g.Name]
	if len(holds) == 0 {
		holds = h.survey.Topology.Holds(d)
	}
	h.held[g.Name] = nil
	for _, hold := range holds {
		for _, back := range h.movePages(hold, 1) {
			h.held[g.Name] = append(h.held[g.Name], back) // where it takes them again, if it can
			n, p := h.pages(back.Node, back.SizeBytes)
			if p == nil {
				continue
			}
			gone := min(p.Surplus, p.Free)
			h.resize(n, p, p.Total-gone)
			p.Surplus -= gone
		}
	}
}
