package assess

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Reserve is how many huge pages of a size a node keeps, and shall keep for the
// guests of the layout.
type Reserve struct {
	Node          int
	SizeBytes     uint64 // of one page
	Before, After int
	Guests        []string // of the layout that have pages there, or leave some
}

// Holds tells which huge pages a guest of the layout has while it runs, once its
// definition is set, whether the layout states them or the definition had them before.
func (c *Case) Holds(g *spec.Guest) []facts.Hold {
	if d := c.willHave(g); d != nil && !g.Retired {
		return c.Facts.Survey.Topology.Holds(d)
	}
	return nil
}

// Reserves gives every reserve that the layout speaks of, by node and size. One is
// as large as the guests of any one shift need, those in no shift and those that
// libvirt knows besides among them, and what else is in use there. It does not
// depend on the shift that is aimed at, since guests are started by hand as well.
// Where there is more it stays: somebody has reserved it. What the order takes from
// a guest is given back.
func (c *Case) Reserves() []Reserve {
	if c.reserves != nil {
		return *c.reserves
	}
	demands := c.demands()
	list := []Reserve{}
	for _, at := range slices.SortedFunc(maps.Keys(demands), func(a, b facts.PagePool) int {
		return cmp.Or(cmp.Compare(a.Node, b.Node), cmp.Compare(a.SizeBytes, b.SizeBytes))
	}) {
		n := c.Facts.Survey.Topology.Node(at.Node)
		if n == nil || c.Facts.Survey.Topology.Gap("nodes", fmt.Sprint("node ", at.Node)) != nil || len(demands[at].concerned) == 0 {
			continue
		}
		p := n.Pages(at.SizeBytes)
		if p == nil {
			continue // a finding says so
		}
		h := demands[at]
		used := h.used
		if anywhere := demands[facts.PagePool{Node: facts.AnyNode, SizeBytes: at.SizeBytes}]; anywhere != nil {
			used += anywhere.used // they may lie here: they are no others'
		}
		want := h.most(c.Layout.Shifts) + max(0, p.Total-p.Free+c.promised(at)-used)
		r := Reserve{Node: at.Node, SizeBytes: at.SizeBytes, Before: p.Kept(), Guests: h.concerned}
		if r.After = max(want, r.Before-h.left); !h.stated {
			r.After = min(r.After, r.Before)
		}
		list = append(list, r)
	}
	c.reserves = &list
	return list
}

// promised gives how many free pages of a node are others': on a host of several nobody
// can say where they lie.
func (c *Case) promised(at facts.PagePool) int {
	if len(c.Facts.Survey.Topology.Nodes) > 1 {
		return 0
	}
	for _, p := range c.Facts.Survey.Machine.HugePages {
		if p.SizeBytes == at.SizeBytes {
			return p.Promised
		}
	}
	return 0
}

// demand is who has pages of one pool.
type demand struct {
	pages     map[string]int // while it runs, by guest
	used      int            // by guests that run now
	left      int            // that guests have by their definition now, and will not
	stated    bool           // a guest of the layout states that it has some
	concerned []string       // guests of the layout that do, or leave some
}

func (c *Case) demands() map[facts.PagePool]*demand {
	t := &c.Facts.Survey.Topology
	all := map[facts.PagePool]*demand{}
	at := func(of facts.PagePool) *demand {
		if all[of] == nil {
			all[of] = &demand{pages: map[string]int{}}
		}
		return all[of]
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		will := map[facts.PagePool]int{}
		for _, h := range c.Holds(g) {
			d := at(h.PagePool)
			will[h.PagePool], d.pages[g.Name] = h.Pages, h.Pages
			if statesPages(g) {
				d.stated, d.concerned = true, append(d.concerned, g.Name)
			}
		}
		known := c.Facts.Guest(g.Name)
		if known == nil || known.Kept == nil {
			continue
		}
		for _, was := range t.Holds(known.Kept) {
			if left := was.Pages - will[was.PagePool]; left > 0 {
				d := at(was.PagePool)
				d.left += left
				if !slices.Contains(d.concerned, g.Name) {
					d.concerned = append(d.concerned, g.Name)
				}
			}
		}
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if live := inForce(g); g.Running && live != nil {
			for _, h := range t.Holds(live) {
				at(h.PagePool).used += h.Pages
			}
		}
		if g.Kept != nil && c.Stated(g.Name) == nil {
			for _, h := range t.Holds(g.Kept) {
				at(h.PagePool).pages[g.Name] = h.Pages
			}
		}
	}
	return all
}

// statesPages tells whether the layout states that a guest has huge pages: then an
// order reserves them.
func statesPages(g *spec.Guest) bool {
	return g.Memory != nil && g.Memory.HugePages != nil && *g.Memory.HugePages
}

// most gives how many pages are needed at the same time: by everybody that is in no
// shift, and by the guests of the shift that needs most.
func (h *demand) most(shifts []spec.Shift) int {
	in := map[string]bool{}
	most := 0
	for _, s := range shifts {
		sum := 0
		for _, ref := range s.Guests {
			in[ref.Name] = true
			sum += h.pages[ref.Name]
		}
		most = max(most, sum)
	}
	for guest, pages := range h.pages {
		if !in[guest] {
			most += pages
		}
	}
	return most
}
