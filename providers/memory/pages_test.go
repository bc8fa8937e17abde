package memory_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

func TestKeepPages(t *testing.T) {
	b := invented.NewBuilder()
	b.Nodes(2, 2)
	b.Survey.Topology.Nodes[1].FreeBytes = 3 << 30
	b.Guest("paged", "")
	b.Edit("paged", "<os", "<memoryBacking><hugepages><page size='1' unit='GiB'/></hugepages></memoryBacking><numatune><memory mode='strict' nodeset='1'/></numatune><os")
	host := memory.New(b.Survey, nil)
	node := func() (facts.Pages, uint64, facts.Pages) {
		survey, err := host.Survey(t.Context())
		require.NoError(t, err)
		return survey.Topology.Nodes[1].HugePages[1], survey.Topology.Nodes[1].FreeBytes, survey.Machine.HugePages[1]
	}
	keep := func(n int) error { return host.KeepPages(t.Context(), 1, 1<<30, n) }

	assert.ErrorContains(t, host.Start(t.Context(), "paged"), "Cannot allocate memory")
	assert.ErrorContains(t, keep(5), "found 3 of 5")
	p, free, all := node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30, Total: 3, Free: 3}, p, "as many as there is memory for")
	assert.Zero(t, free)
	assert.Equal(t, p, all)

	require.NoError(t, host.Start(t.Context(), "paged"))
	p, _, all = node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30, Total: 3, Free: 2}, p)
	assert.Equal(t, p, all)
	require.NoError(t, keep(0))
	p, free, _ = node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30, Total: 1, Surplus: 1}, p, "what is in use stays until it is let go")
	assert.EqualValues(t, 2<<30, free)
	require.NoError(t, host.Stop(t.Context(), "paged", 0))
	p, free, all = node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30}, p)
	assert.Equal(t, p, all)
	assert.EqualValues(t, 3<<30, free)

	require.NoError(t, keep(2))
	require.NoError(t, host.Start(t.Context(), "paged"))
	host.PowerCut()
	p, free, _ = node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30}, p, "the kernel forgets the number")
	assert.EqualValues(t, 3<<30, free)
	require.NoError(t, keep(1))
	require.NoError(t, host.Start(t.Context(), "paged"))
	require.NoError(t, host.Stop(t.Context(), "paged", 0))
	p, _, all = node()
	assert.Equal(t, facts.Pages{SizeBytes: 1 << 30, Total: 1, Free: 1}, p)
	assert.Equal(t, p, all)
	assert.Error(t, host.KeepPages(t.Context(), 7, 1<<30, 1))
	assert.Error(t, host.KeepPages(t.Context(), 1, 4<<10, 1))
}

// What is bound to no node is taken from where most are free, and again from there;
// what is promised to a program is given to nobody.
func TestPagesOfAnyNode(t *testing.T) {
	b := invented.NewBuilder()
	b.Nodes(2, 2)
	b.Guest("paged", "")
	b.Edit("paged", "<os", "<memoryBacking><hugepages/></memoryBacking><os")
	for n, pages := range []int{300, 400} {
		b.Survey.Topology.Nodes[n].HugePages[0] = facts.Pages{SizeBytes: 2 << 20, Total: pages, Free: pages}
	}
	b.Survey.Machine.HugePages[0] = facts.Pages{SizeBytes: 2 << 20, Total: 700, Free: 700, Promised: 189}
	assert.ErrorContains(t, memory.New(b.Survey, nil).Start(t.Context(), "paged"), "Cannot allocate memory")
	b.Survey.Machine.HugePages[0].Promised = 188
	host := memory.New(b.Survey, nil)
	free := func() []int {
		survey, err := host.Survey(t.Context())
		require.NoError(t, err)
		return []int{survey.Topology.Nodes[0].HugePages[0].Free, survey.Topology.Nodes[1].HugePages[0].Free, survey.Machine.HugePages[0].Free}
	}
	for range 2 {
		require.NoError(t, host.Start(t.Context(), "paged"))
		assert.Equal(t, []int{188, 0, 188}, free())
		require.NoError(t, host.Stop(t.Context(), "paged", 0))
		assert.Equal(t, []int{300, 400, 700}, free())
	}
}
