package carry_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
)

// pagedLarch is larch with grading near reel on one of two nodes, in huge pages or
// not.
func pagedLarch(pages bool) *spec.Layout {
	layout := larch()
	g := &layout.Guests[0]
	g.CPU = &spec.CPU{Count: 2, Near: &spec.Ref{Name: "reel"}}
	g.Memory = &spec.Memory{SizeBytes: 1 << 30, HugePages: &pages}
	return layout
}

// paged is the day shift of a host on which the pages are reserved first.
func paged(t *testing.T) (facts.Survey, order.Sealed) {
	b := invented.Builder{Survey: atNight()}
	b.Nodes(2, 4)
	b.Function(facts.Address{Bus: 1}).NUMANode = 1
	return b.Survey, plan(t, b.Survey, pagedLarch(true), "day")
}

// unpaged comes after it: the guest is to have no huge pages any more, by night.
func unpaged(t *testing.T) (facts.Survey, order.Sealed) {
	survey, sealed := paged(t)
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good)
	after := r.Planned()
	return after, plan(t, after, pagedLarch(false), "night")
}

func TestPagesComeAndGo(t *testing.T) {
	survey, sealed := paged(t)
	assert.Equal(t, []string{
		"install the guard of every start",
		"install the service that watches lends, and start it",
		"change the definition of guest grading",
		"shut down guest catalogue",
		"reserve huge pages of 2.0 MiB on node 1: 512 instead of 0",
		"unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel",
	}, does(sealed))
	after, back := unpaged(t)
	assert.Equal(t, 512, after.Topology.Nodes[1].HugePages[0].Total)
	assert.Zero(t, after.Topology.Nodes[1].HugePages[0].Free, "grading runs in them")
	c := plan(t, after, pagedLarch(true), "day")
	assert.Empty(t, c.Order.Steps, "nothing is left to do")
	assert.Contains(t, does(back), "give back huge pages of 2.0 MiB on node 1: 0 instead of 512")
	assert.Zero(t, survey.Topology.Nodes[1].HugePages[0].Total)
}
