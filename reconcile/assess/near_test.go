package assess_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
)

// near has guest grading of the bench run near reel, on a host of nodes with four
// cores of two threads each.
func (b *bench) near(nodes, processors, node int) {
	b.Nodes(nodes, 4)
	b.Function(b.reel).NUMANode = node
	b.layout.Guests[0].CPU = &spec.CPU{Count: processors, Near: &spec.Ref{Name: "reel"}}
}

func (b *bench) nearness(guest string) assess.Nearness {
	c := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
	return c.Near(b.layout.Guest(guest))
}

func TestNear(t *testing.T) {
	b := newBench()
	b.near(2, 3, 1)
	assert.Equal(t, assess.Nearness{Map: &definition.Near{Node: 1, CPUs: []int{5, 13, 6}, Rest: "4,12"}}, b.nearness("grading"))
	assert.Empty(t, b.nearness("catalogue"))
	assert.NotContains(t, whole(b.findings()), "cannot be near")

	b.near(1, 3, -1) // a host of one node need not say it
	assert.Equal(t, assess.Nearness{Map: &definition.Near{Node: 0, CPUs: []int{1, 5, 2}, Rest: "0,4"}}, b.nearness("grading"))
}

// Who may run beside whom decides, not the shift that is aimed at.
func TestNearInShifts(t *testing.T) {
	b := newBench()
	b.near(2, 4, 1)
	b.layout.Guests = append(b.layout.Guests, invented.Guest("second"))
	second := &b.layout.Guests[len(b.layout.Guests)-1]
	second.CPU, second.Memory = &spec.CPU{Count: 2, Near: &spec.Ref{Name: "reel"}}, &spec.Memory{SizeBytes: 1 << 30}
	cpus := func() []int {
		near := b.nearness("second")
		require.Empty(t, near.Why)
		return near.Map.CPUs
	}
	assert.Equal(t, []int{7, 15}, cpus(), "in no shift it may run beside every guest")
	b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "second"})
	assert.Equal(t, []int{5, 13}, cpus(), "at night, while grading is off")
	b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "second"})
	assert.Equal(t, []int{7, 15}, cpus(), "by day, too")
	b.layout.Guest("grading").Retired = true
	assert.Equal(t, []int{5, 13}, cpus())
}
