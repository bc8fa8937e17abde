package carry_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
)

// withPorts is a host with a network card that has two virtual functions, and a layout
// in which it has four, the last of them for a guest of the day.
func withPorts() (facts.Survey, *spec.Layout) {
	b := invented.Builder{Survey: atNight()}
	b.Virtual(b.Ethernet(), 2, 7, "igbvf")
	b.Guest("films", "/srv/images/films.qcow2")
	layout := larch()
	four := 4
	card := invented.EthernetController("card")
	card.VirtualFunctions = &four
	layout.Controllers = append(layout.Controllers, card, invented.VirtualController("port3", "card", 3))
	films := invented.Guest("films", "port3")
	films.Boots = nil
	layout.Guests = append(layout.Guests, films)
	layout.Shifts[0].Guests = append(layout.Shifts[0].Guests, spec.Ref{Name: "films"})
	return b.Survey, layout
}

func virtual(t *testing.T) (facts.Survey, order.Sealed) {
	survey, layout := withPorts()
	return survey, plan(t, survey, layout, "day")
}

// through carries an order out on a host in memory, and gives the host after it.
func through(t *testing.T, survey facts.Survey, sealed order.Sealed) facts.Survey {
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	return r.Planned()
}

// The first order makes virtual functions, the next lends one, and then there is nothing
// left to do. Fewer are made once nobody has one.
func TestVirtualFunctionIsMadeThenLent(t *testing.T) {
	survey, sealed := virtual(t)
	assert.Equal(t, []string{
		"install the guard of every start",
		"install the service that watches lends, and start it",
		"change the definition of guest grading",
		"shut down guest catalogue",
		"unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel",
		"have card make 4 virtual functions instead of 2",
	}, does(sealed))
	survey = through(t, survey, sealed)
	_, layout := withPorts()

	lends := plan(t, survey, layout, "day")
	assert.Equal(t, []string{
		"renew the guard of every start",
		"change the definition of guest films",
		"start guest films, which borrows port3",
	}, does(lends))
	survey = through(t, survey, lends)
	assert.Empty(t, does(plan(t, survey, layout, "day")))
	at := facts.NewIndex(&survey).VirtualOf(facts.Address{Bus: 0xd0}, 3)
	require.NotNil(t, at)
	assert.True(t, at.OnVFIO())

	*layout.Controllers[1].VirtualFunctions = 5
	layout.Controllers[2].Virtual.Number = 3
	assert.Contains(t, stopsOf(survey, layout, "day"), "card cannot make 5 virtual functions now")

	*layout.Controllers[1].VirtualFunctions = 4
	back := plan(t, survey, layout, "night")
	assert.Contains(t, does(back), "take back port3 from guest films")
	survey = through(t, survey, back)
	*layout.Controllers[1].VirtualFunctions = 0
	layout.Controllers, layout.Guests = layout.Controllers[:2], layout.Guests[:2]
	layout.Shifts[0].Guests = layout.Shifts[0].Guests[:1]
	none := plan(t, survey, layout, "night")
	assert.Contains(t, does(none), "have card make 0 virtual functions instead of 4")
	survey = through(t, survey, none)
	assert.Empty(t, facts.NewIndex(&survey).Virtuals(facts.Address{Bus: 0xd0}))
}

// stopsOf gives the summaries of what stops an order.
func stopsOf(survey facts.Survey, layout *spec.Layout, shift string) []string {
	var list []string
	for _, f := range assess.Assess(assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift))) {
		if f.Severity == assess.Stop {
			list = append(list, f.Summary)
		}
	}
	return list
}
