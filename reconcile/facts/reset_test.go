package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestWhatResetsAlone(t *testing.T) {
	for _, c := range []struct {
		methods []string
		alone   bool
	}{
		{nil, false},
		{[]string{"bus"}, false},
		{[]string{"cxl_bus", "bus"}, false}, // of newer kernels
		{[]string{"pm", "bus"}, true},
		{[]string{"flr"}, true},
		{[]string{"af_flr"}, true},
		{[]string{"device_specific", "flr"}, true},
		{[]string{"acpi"}, true},
	} {
		assert.Equal(t, c.alone, facts.Function{ResetMethods: c.methods}.ResetsAlone(), "%v", c.methods)
	}
}

// A reset of a bus hits what is below its bridge, and below bridges there.
func TestResetOfABusHits(t *testing.T) {
	port, bridge := facts.Address{Slot: 4}, facts.Address{Bus: 1, Slot: 2}
	card, beside, beyond := facts.Address{Bus: 1}, facts.Address{Bus: 1, Function: 1}, facts.Address{Bus: 2}
	s := facts.Survey{Functions: []facts.Function{
		{Address: port, HeaderType: 1}, {Address: card, Upstream: &port}, {Address: beside, Upstream: &port},
		{Address: bridge, HeaderType: 1, Upstream: &port}, {Address: beyond, Upstream: &bridge},
	}}
	hits := func(at facts.Address) []facts.Address {
		ix := facts.NewIndex(&s)
		var list []facts.Address
		for _, f := range ix.ResetWith(ix.Function(at)) {
			list = append(list, f.Address)
		}
		return list
	}
	assert.Equal(t, []facts.Address{beside, bridge, beyond}, hits(card))
	assert.Empty(t, hits(beyond))
	assert.Empty(t, hits(port))

	s.Functions[3].Upstream = &beyond // a survey that somebody has turned into a circle
	assert.Empty(t, hits(beyond))
	assert.Empty(t, hits(bridge))
}
