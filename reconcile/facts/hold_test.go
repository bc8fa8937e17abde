package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

func TestHolds(t *testing.T) {
	pages := func(node int, size uint64, count int) facts.Hold {
		return facts.Hold{PagePool: facts.PagePool{Node: node, SizeBytes: size}, Pages: count}
	}
	const small, large = 2 << 20, 1 << 30
	for name, c := range map[string]struct {
		nodes int
		d     facts.Definition
		want  []facts.Hold
	}{
		"none":                    {2, facts.Definition{MemoryBytes: 4 * large}, nil},
		"of no memory":            {2, facts.Definition{HugePages: true}, nil},
		"the host's size":         {1, facts.Definition{MemoryBytes: large, HugePages: true}, []facts.Hold{pages(0, small, 512)}},
		"no whole pages":          {1, facts.Definition{MemoryBytes: large + 1, HugePages: true, PageBytes: large}, []facts.Hold{pages(0, large, 2)}},
		"a size that nobody says": {0, facts.Definition{MemoryBytes: large, HugePages: true}, []facts.Hold{pages(facts.AnyNode, 0, 0)}},
		"bound":                   {2, facts.Definition{MemoryBytes: large, HugePages: true, MemoryNodes: "1"}, []facts.Hold{pages(1, small, 512)}},
		"bound to either":         {2, facts.Definition{MemoryBytes: large, HugePages: true, MemoryNodes: "0-1"}, []facts.Hold{pages(facts.AnyNode, small, 512)}},
		"not bound":               {2, facts.Definition{MemoryBytes: large, HugePages: true}, []facts.Hold{pages(facts.AnyNode, small, 512)}},
		"of two sizes and nodes": {2, facts.Definition{MemoryBytes: 5 * large, HugePages: true, Portions: []facts.Portion{
			{Bytes: large, PageBytes: small}, {Bytes: 2 * large, PageBytes: large, Nodes: "1"}, {Bytes: large, PageBytes: large, Nodes: "1"}}},
			[]facts.Hold{pages(1, large, 3), pages(facts.AnyNode, small, 512)}},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			if c.nodes > 0 {
				b.Nodes(c.nodes, 2)
			}
			assert.Equal(t, c.want, b.Survey.Topology.Holds(&c.d))
		})
	}
}

// What is promised is not free, wherever it is (Linux Documentation/admin-guide/mm/
// hugetlbpage.rst); what is bound to no node may be missing on any.
func TestRoom(t *testing.T) {
	const size = 2 << 20
	hold := func(node, pages int) facts.Hold {
		return facts.Hold{PagePool: facts.PagePool{Node: node, SizeBytes: size}, Pages: pages}
	}
	b := invented.NewBuilder()
	b.Nodes(2, 2)
	for n := range 2 {
		p := &b.Survey.Topology.Nodes[n].HugePages[0]
		p.Total, p.Free = 10, 10
	}
	b.Survey.Machine.HugePages[0] = facts.Pages{SizeBytes: size, Total: 20, Free: 20, Promised: 3}
	type takes struct {
		holds []facts.Hold
		worst bool
		short facts.Hold
		found int
	}
	for name, list := range map[string][]takes{
		"all that is not promised":    {{holds: []facts.Hold{hold(facts.AnyNode, 17)}}, {holds: []facts.Hold{hold(facts.AnyNode, 1)}, short: hold(facts.AnyNode, 1)}},
		"what is promised is not":     {{holds: []facts.Hold{hold(facts.AnyNode, 18)}, short: hold(facts.AnyNode, 18), found: 17}},
		"no more than the node has":   {{holds: []facts.Hold{hold(1, 11)}, short: hold(1, 11), found: 10}, {holds: []facts.Hold{hold(1, 10)}}},
		"nothing is taken by halves":  {{holds: []facts.Hold{hold(1, 10), hold(0, 9)}, short: hold(facts.AnyNode, 9), found: 7}, {holds: []facts.Hold{hold(1, 10)}}},
		"from wherever, at best":      {{holds: []facts.Hold{hold(facts.AnyNode, 5)}}, {holds: []facts.Hold{hold(0, 8)}}},
		"from where others need them": {{holds: []facts.Hold{hold(facts.AnyNode, 5)}, worst: true}, {holds: []facts.Hold{hold(0, 8)}, worst: true, short: hold(0, 8), found: 5}},
	} {
		t.Run(name, func(t *testing.T) {
			room := b.Survey.FreePages()
			for _, c := range list {
				short, found, ok := room.Take(c.holds, c.worst)
				assert.Equal(t, c.short == facts.Hold{}, ok)
				assert.Equal(t, c.short, short)
				assert.Equal(t, c.found, found)
			}
		})
	}
	room := b.Survey.FreePages()
	room.Add(hold(1, 5))
	_, _, ok := room.Take([]facts.Hold{hold(1, 15)}, false)
	assert.True(t, ok)
}
