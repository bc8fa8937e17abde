package main

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// Where nothing is known of an order, status says so: it does not look like one that
// has no steps.
func TestStatusWithoutAnOrder(t *testing.T) {
	for said, s := range map[string]status{
		"Layout and host cannot be brought in line, although no finding is against it: a waits for itself.": {Host: "larch", Why: "a waits for itself"},
		"Layout and host cannot be brought in line: 2 findings against it. To see which: lendkeep check x":  {Host: "larch", Stops: 2},
	} {
		var out bytes.Buffer
		require.NoError(t, printStatus(&out, s, "lendkeep check x", advice{}))
		assert.Contains(t, out.String(), said)
		assert.NotContains(t, out.String(), "The steps of an order")
	}
}

// A controller that is home is not as it was because of that.
func TestStatusTellsWhatIsNotAsItWas(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Network("eth3")
	films := invented.Guest("films", "card")
	films.Boots = nil
	layout := invented.Layout([]spec.Controller{invented.NetworkController("card")}, []spec.Guest{films})
	told := func() string {
		c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
		s := statusOf(c, assess.Assess(c))
		require.Len(t, s.Controllers, 1)
		assert.Equal(t, "home", s.Controllers[0].Place)
		var out bytes.Buffer
		require.NoError(t, printStatus(&out, s, "lendkeep check x", advice{}))
		return out.String()
	}
	assert.NotContains(t, told(), "Not as it was")
	b.Function(at).Interfaces = []facts.Interface{{Name: "eth3", Up: true, Addresses: []string{"192.0.2.7/24"}}}
	b.Survey.Guard.Rules = order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)).Encode()
	b.Survey.Guard.Hook = guard.Script
	assert.NotContains(t, told(), "Not as it was")
	b.Function(at).Interfaces = []facts.Interface{{Name: "eth3"}}
	assert.Contains(t, told(), "Not as it was: network interface eth3 of 0000:d0:00.0 of controller card is down, without 192.0.2.7/24 that it had; networkctl reconfigure eth3")
	b.Function(at).Interfaces = nil
	assert.Contains(t, told(), "Not as it was: network interface eth3 of 0000:d0:00.0 of controller card has not appeared")
}
