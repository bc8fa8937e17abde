package guard_test

import (
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

// virtualBench has films borrow the second virtual function of a network card.
func virtualBench(t *testing.T) (b *bench, card, port facts.Address) {
	b = &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{}}
	card = b.Ethernet()
	port = b.Virtual(card, 3, 7, "igbvf")[1]
	b.Guest("films", "/srv/images/films.qcow2")
	films := invented.Guest("films", "port1")
	films.Boots = nil
	layout := invented.Layout([]spec.Controller{invented.VirtualController("port1", "card", 1), invented.EthernetController("card")}, []spec.Guest{films})
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	require.False(t, assess.Stops(assess.Assess(c)), "%+v", assess.Assess(c))
	b.rules = order.CompileRules(c)
	again, err := guard.Decode(b.rules.Encode())
	require.NoError(t, err)
	require.Equal(t, b.rules, again)
	b.borrower("films", port)
	b.call.Definition.Identities = []facts.Identity{b.Virtually("port1", "card", port)}
	return b, card, port
}

// A guest gets the virtual function that is meant, or does not start.
func TestVirtualFunctionAtAStart(t *testing.T) {
	swap := func(b *bench, port facts.Address) {
		other := port
		other.Function++
		one, two := b.Function(port), b.Function(other)
		one.VirtualNumber, two.VirtualNumber = two.VirtualNumber, one.VirtualNumber
	}
	for name, c := range map[string]struct {
		change  func(b *bench, card, port facts.Address)
		refuses string
	}{
		"as it is":                         {func(b *bench, card, port facts.Address) {}, ""},
		"without a note":                   {func(b *bench, card, port facts.Address) { b.call.Definition.Identities = nil }, ""},
		"on VFIO already":                  {func(b *bench, card, port facts.Address) { b.aside(port) }, ""},
		"another number is at its address": {func(b *bench, card, port facts.Address) { swap(b, port) }, "its definition names 0000:d0:10.2, but controller port1 is at 0000:d0:10.3 now"},
		"another number, without a note": {func(b *bench, card, port facts.Address) {
			b.call.Definition.Identities = nil
			swap(b, port)
		}, "its definition names 0000:d0:10.2, but controller port1 is at 0000:d0:10.3 now"},
		"a note of another number": {func(b *bench, card, port facts.Address) { b.call.Definition.Identities[0].Virtual.Number = 2 }, "is at 0000:d0:10.3 now"},
		"a note of a number that is not there": {func(b *bench, card, port facts.Address) { b.call.Definition.Identities[0].Virtual.Number = 6 },
			"controller port1, virtual function 6 of card, is not to be found: its parent card at 0000:d0:00.0 has 3 virtual functions, and none of them is known to have the number 6"},
		"a note of another parent":  {func(b *bench, card, port facts.Address) { b.call.Definition.Identities[0].Virtual.Device++ }, "its parent card is gone"},
		"another card in its place": {func(b *bench, card, port facts.Address) { b.Function(card).Device++ }, "its parent card is gone"},
		"a card in another slot": {func(b *bench, card, port facts.Address) {
			b.rules.ByName()["card"].Slot = "3"
			b.Function(card).Slot = "4"
		}, `controller card is in slot "3" by the layout, but Invented Ethernet at 0000:d0:00.0 is in slot "4"`},
		"virtual functions of another kind": {func(b *bench, card, port facts.Address) { b.Function(port).Device++ }, "8086:10cb, where 8086:10ca belongs to it"},
		"its parent on VFIO":                {func(b *bench, card, port facts.Address) { b.aside(card) }, "its parent card is aside"},
		"none made since the start": {func(b *bench, card, port facts.Address) {
			b.Survey.Functions = b.Survey.Functions[:1]
			b.Survey.Functions[0].Virtual = 0
		}, "has 0 virtual functions"},
		"which it is cannot be read": {func(b *bench, card, port facts.Address) {
			b.Function(port).VirtualNumber, b.Function(port).Gaps = nil, []facts.Gap{{Fact: "virtual_number", Path: "/sys/x", Reason: "input/output error"}}
		}, "none of them is known to have the number 1"},
		"a guest that may not": {func(b *bench, card, port facts.Address) { b.borrower("other", port) }, "which is controller port1: the layout lends that to films only"},
		"its parent":           {func(b *bench, card, port facts.Address) { b.borrower("films", card) }, "which is controller card: the layout lends that to no guest"},
	} {
		t.Run(name, func(t *testing.T) {
			b, card, port := virtualBench(t)
			c.change(b, card, port)
			verdict := guard.Before(b.rules, b.index(), b.call)
			if c.refuses == "" {
				assert.Empty(t, verdict.Refuse)
				assert.Equal(t, []string{"port1"}, verdict.Lends)
			} else {
				assert.Contains(t, verdict.Refuse, c.refuses)
			}
			if name == "which it is cannot be read" || name == "a guest that may not" {
				return // the tree has the link
			}
			seen := b.index().Survey
			sameBefore(t, b.rules, seen, b.call)
		})
	}
}

// A virtual function that is not there is not looked for on its bus.
func TestLadderOfAVirtualFunction(t *testing.T) {
	b, card, port := virtualBench(t)
	r := b.rules.ByName()["port1"].Identity
	b.Function(port).Driver = ""
	assert.Equal(t, guard.Attempt{Rung: guard.Probe, At: port}, guard.NextRung(b.index(), r, nil))
	assert.Empty(t, guard.NextRung(b.index(), r, []guard.Attempt{{Rung: guard.Probe, At: port}, {Rung: guard.Reset, At: port}}).Rung, "no look at its bus finds it")
	b.Survey.Functions = b.Survey.Functions[:1]
	b.Function(card).Virtual = 0
	next := guard.NextRung(b.index(), r, nil)
	assert.Empty(t, next.Rung)
	assert.Contains(t, next.End, "has 0 virtual functions")
}
