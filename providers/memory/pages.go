package memory

import (
	"context"
	"fmt"
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
// (its text from memory).
func (h *Host) takePages(d *facts.Definition) error {
	hold, has := h.survey.Topology.Hold(d)
	if !has {
		return nil
	}
	_, p := h.pages(hold.Node, hold.SizeBytes)
	if p == nil {
		return fmt.Errorf("internal error: Unable to find any usable hugetlbfs mount for %d KiB", hold.SizeBytes>>10)
	}
	if p.Free < hold.Pages {
		return fmt.Errorf("internal error: process exited while connecting to monitor: qemu-system-x86_64: unable to map backing store for guest RAM: Cannot allocate memory")
	}
	p.Free -= hold.Pages
	h.count(hold.SizeBytes, 0, -hold.Pages)
	return nil
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

// letPages takes them back when it has ended; what was surplus goes.
func (h *Host) letPages(d *facts.Definition) {
	hold, has := h.survey.Topology.Hold(d)
	if !has {
		return
	}
	n, p := h.pages(hold.Node, hold.SizeBytes)
	if p == nil {
		return
	}
	back := min(hold.Pages, p.Total-p.Free)
	p.Free += back
	h.count(hold.SizeBytes, 0, back)
	gone := min(p.Surplus, p.Free)
	h.resize(n, p, p.Total-gone)
	p.Surplus -= gone
}
