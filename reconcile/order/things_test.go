package order_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// Whatever a step needs or gives is a thing of which orders know how it stands
// at first and what to rely on for it.
func TestEveryThingIsKnown(t *testing.T) {
	spoken := map[string]bool{"host": true, "path": true, "libvirt": true, "pins": true} // relied on only
	for _, s := range invented.Steps() {
		about := s.About()
		for _, c := range slices.Concat(about.Needs, about.Gives) {
			spoken[c.Of.Kind] = true
			assert.True(t, order.First(c.Of.Kind), "%s: how does %s stand at first?", about.Kind, c.Of)
		}
	}
	assert.Equal(t, slices.Sorted(maps.Keys(spoken)), order.Things())
	for _, kind := range order.Things() {
		assert.True(t, order.Relied(kind), "what does an order rely on for a %s?", kind)
		assert.True(t, order.Affects(kind), "which starts does a change of a %s affect?", kind)
		for _, other := range order.Things() {
			assert.False(t, kind != other && strings.HasPrefix(other, kind), "%s begins %s: their sequence would not be that of their texts", kind, other)
		}
	}
}

// odd is a step that changes what nobody knows.
type odd struct{ step.Step }

func (odd) About() step.About {
	return step.About{Kind: "odd", Gives: []step.Condition{{Of: step.Thing{Kind: "weather", Name: "larch"}, Value: "sun"}}}
}

func TestUnknownThingIsAnError(t *testing.T) {
	require.ErrorContains(t, order.Sequence(step.Written{Step: odd{}}), `"weather larch"`)
}
