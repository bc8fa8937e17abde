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

// pool is the pages of one size on a node.
type pool struct {
	node      int
	sizeBytes uint64
}

// Holds tells which huge pages a guest of the layout has while it runs, once its
// definition is set; false where it has none or it is not known on which node.
func (c *Case) Holds(g *spec.Guest) (facts.Hold, bool) {
	if d := c.willHave(g); d != nil && !g.Retired {
		return c.Facts.Survey.Topology.Hold(d)
	}
	return facts.Hold{}, false
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
	for _, at := range slices.SortedFunc(maps.Keys(demands), func(a, b pool) int {
		return cmp.Or(cmp.Compare(a.node, b.node), cmp.Compare(a.sizeBytes, b.sizeBytes))
	}) {
		n := c.Facts.Survey.Topology.Node(at.node)
		if n == nil || c.Facts.Survey.Topology.Gap("nodes", fmt.Sprint("node ", at.node)) != nil || len(demands[at].concerned) == 0 {
			continue
		}
		p := n.Pages(at.sizeBytes)
		if p == nil {
			continue // a finding says so
		}
		h := demands[at]
		want := h.most(c.Layout.Shifts) + max(0, p.Total-p.Free-h.used)
		r := Reserve{Node: at.node, SizeBytes: at.sizeBytes, Before: p.Kept(), Guests: h.concerned}
		if r.After = max(want, r.Before-h.left); !h.stated {
			r.After = min(r.After, r.Before)
		}
		list = append(list, r)
	}
	c.reserves = &list
	return list
}

// demand is who has pages of one pool.
type demand struct {
	pages     map[string]int // while it runs, by guest
	used      int            // by guests that run now
	left      int            // that guests have by their definition now, and will not
	stated    bool           // a guest of the layout states that it has some
	concerned []string       // guests of the layout that do, or leave some
}

func (c *Case) demands() map[pool]*demand {
	t := &c.Facts.Survey.Topology
	all := map[pool]*demand{}
	at := func(h facts.Hold) *demand {
		of := pool{h.Node, h.SizeBytes}
		if all[of] == nil {
			all[of] = &demand{pages: map[string]int{}}
		}
		return all[of]
	}
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		will, has := c.Holds(g)
		if has {
			h := at(will)
			h.pages[g.Name] = will.Pages
			if g.Memory != nil && g.Memory.HugePages != nil && *g.Memory.HugePages {
				h.stated, h.concerned = true, append(h.concerned, g.Name)
			}
		}
		known := c.Facts.Guest(g.Name)
		if known == nil || known.Kept == nil {
			continue
		}
		if was, had := t.Hold(known.Kept); had {
			left := was.Pages
			if has && will.Node == was.Node && will.SizeBytes == was.SizeBytes {
				left -= will.Pages
			}
			if h := at(was); left > 0 {
				h.left += left
				if !slices.Contains(h.concerned, g.Name) {
					h.concerned = append(h.concerned, g.Name)
				}
			}
		}
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		g := &c.Facts.Survey.Libvirt.Guests[i]
		if live := inForce(g); g.Running && live != nil {
			if h, has := t.Hold(live); has {
				at(h).used += h.Pages
			}
		}
		if g.Kept != nil && c.Stated(g.Name) == nil {
			if h, has := t.Hold(g.Kept); has {
				at(h).pages[g.Name] = h.Pages
			}
		}
	}
	return all
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
