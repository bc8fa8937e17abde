package facts

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
)

// AnyNode is the node of pages of which nobody can say where they come from.
const AnyNode = -1

// PagePool is the huge pages of one size on a node; of AnyNode those of the whole host.
type PagePool struct {
	Node      int
	SizeBytes uint64 // of one page; 0: the host's default, which nobody names
}

// Hold is what a guest has of a pool while it runs: of AnyNode where it does not bind
// its memory to one node, and the host has several.
type Hold struct {
	PagePool
	Pages int
}

// On says where a pool is: "on node 1".
func (p PagePool) On() string {
	if p.Node == AnyNode {
		return "on the host"
	}
	return fmt.Sprint("on node ", p.Node)
}

// Holds gives which pages a guest of that definition has, those that are bound to a
// node before others.
func (t *Topology) Holds(d *Definition) []Hold {
	var list []Hold
	for _, p := range d.Paged() {
		if p.Bytes == 0 {
			continue
		}
		h := Hold{PagePool: PagePool{t.only(p.Nodes), cmp.Or(p.PageBytes, t.PageSize)}}
		if h.SizeBytes > 0 {
			h.Pages = int(min((p.Bytes-1)/h.SizeBytes+1, math.MaxInt32))
		}
		if i := slices.IndexFunc(list, func(o Hold) bool { return o.PagePool == h.PagePool }); i >= 0 {
			list[i].Pages = min(list[i].Pages+h.Pages, math.MaxInt32)
			continue
		}
		list = append(list, h)
	}
	slices.SortFunc(list, func(a, b Hold) int {
		return cmp.Or(cmp.Compare(b.Node, a.Node), cmp.Compare(a.SizeBytes, b.SizeBytes))
	})
	return list
}

// only gives the one node that memory of these nodes comes from.
func (t *Topology) only(nodes string) int {
	set, err := ParseCPUs(nodes) // written as CPUs are
	switch {
	case nodes == "" && len(t.Nodes) == 1:
		return t.Nodes[0].Number
	case err == nil && len(set) == 1:
		return set.Sorted()[0]
	default:
		return AnyNode
	}
}

// FreePages is how many pages of each pool a start finds.
type FreePages map[PagePool]int

// FreePages gives those that there are now. What the kernel has promised to a program
// it gives to no other, on whichever node that is (Linux Documentation/admin-guide/mm/
// hugetlbpage.rst, HugePages_Rsvd; mm/hugetlb.c, gather_surplus_pages).
func (s *Survey) FreePages() FreePages {
	r := FreePages{}
	for _, p := range s.Machine.HugePages {
		r[PagePool{AnyNode, p.SizeBytes}] = p.Free - p.Promised
	}
	for _, n := range s.Topology.Nodes {
		for _, p := range n.HugePages {
			r[PagePool{n.Number, p.SizeBytes}] = p.Free
		}
	}
	return r
}

// Spare gives how many pages of a size the kernel makes of free memory when a program
// asks for more than there are.
func (s *Survey) Spare(sizeBytes uint64) int {
	surplus := 0
	for _, n := range s.Topology.Nodes {
		if p := n.Pages(sizeBytes); p != nil {
			surplus += p.Surplus
		}
	}
	for _, p := range s.Machine.HugePages {
		if p.SizeBytes == sizeBytes {
			return max(0, p.Spare-surplus)
		}
	}
	return 0
}

// Add has so many more pages of a pool be free.
func (r FreePages) Add(h Hold) {
	r[PagePool{AnyNode, h.SizeBytes}] += h.Pages
	if h.Node != AnyNode {
		r[h.PagePool] += h.Pages
	}
}

// Take takes the pages of a guest that starts; where there are too few of a pool it
// takes nothing, and gives what is asked for and how many there are. What is bound to
// no node is taken from none, or from each: at worst it comes from where others need
// it.
func (r FreePages) Take(holds []Hold, worst bool) (short Hold, found int, ok bool) {
	left := maps.Clone(r)
	for _, h := range holds {
		for _, of := range []PagePool{h.PagePool, {AnyNode, h.SizeBytes}} {
			if free, known := left[of]; known && free < h.Pages {
				return Hold{of, h.Pages}, max(0, free), false
			}
		}
		for of := range left {
			if of.SizeBytes == h.SizeBytes && (of.Node == h.Node || of.Node == AnyNode || worst && h.Node == AnyNode) {
				left[of] -= h.Pages
			}
		}
	}
	maps.Copy(r, left)
	return Hold{}, 0, true
}
