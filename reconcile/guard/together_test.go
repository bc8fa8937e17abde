package guard_test

import (
	"slices"
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

// wholeBench has films borrow a graphics card with its sound as one controller.
func wholeBench(t *testing.T) (*bench, facts.Address, facts.Address) {
	b := &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{}}
	at := b.Screen()
	sound := facts.Address{Bus: at.Bus, Function: 1}
	b.Guest("films", "/srv/images/films.qcow2")
	films := invented.Guest("films", "screen")
	films.Boots = nil
	layout := invented.Layout([]spec.Controller{invented.ScreenController("screen")}, []spec.Guest{films})
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), nil)
	require.False(t, assess.Stops(assess.Assess(c)), "%+v", assess.Assess(c))
	b.rules = order.CompileRules(c)
	again, err := guard.Decode(b.rules.Encode())
	require.NoError(t, err)
	require.Equal(t, b.rules, again)
	b.borrower("films", at, sound)
	b.call.Definition.Identities = []facts.Identity{b.Whole("screen", at)}
	return b, at, sound
}

// A guest gets all functions of a slot as the rules have them, or does not start.
func TestWholeSlotAtAStart(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(b *bench, at, sound facts.Address)
		refuses string
	}{
		"as it is":                  {func(b *bench, at, sound facts.Address) {}, ""},
		"without a note":            {func(b *bench, at, sound facts.Address) { b.call.Definition.Identities = nil }, ""},
		"on VFIO already":           {func(b *bench, at, sound facts.Address) { b.aside(at); b.aside(sound) }, ""},
		"the sound alone on VFIO":   {func(b *bench, at, sound facts.Address) { b.aside(sound) }, ""},
		"without its sound":         {func(b *bench, at, sound facts.Address) { b.borrower("films", at) }, "0000:e0:00.0 of controller screen, but not 0000:e0:00.1: they are lent together"},
		"the sound alone":           {func(b *bench, at, sound facts.Address) { b.borrower("films", sound) }, "0000:e0:00.1 of controller screen, but not 0000:e0:00.0: they are lent together"},
		"a guest that may not":      {func(b *bench, at, sound facts.Address) { b.borrower("other", sound) }, "which is controller screen: the layout lends that to films only"},
		"the sound of another card": {func(b *bench, at, sound facts.Address) { b.Function(sound).Device = 0x10f9 }, "10de:10f9/1043:8790 is at 0000:e0:00.1, where 10de:228b/1043:8790 belongs to it"},
		"a card of another maker":   {func(b *bench, at, sound facts.Address) { b.Function(at).SubsystemDevice++ }, "controller screen is not what it was"},
		"a function more": {func(b *bench, at, sound facts.Address) {
			b.Survey.Functions = append(b.Survey.Functions, facts.Function{Address: facts.Address{Bus: at.Bus, Function: 2}, Vendor: 0x10de, Device: 0x1ad8})
		}, "10de:1ad8 at 0000:e0:00.2 is not among its functions"},
		"a function less": {func(b *bench, at, sound facts.Address) {
			b.Survey.Functions = slices.DeleteFunc(b.Survey.Functions, func(f facts.Function) bool { return f.Address == sound })
		}, "nothing is at 0000:e0:00.1"},
		"a note of another card": {func(b *bench, at, sound facts.Address) {
			b.call.Definition.Identities[0].Functions[0].SubsystemDevice++
		}, "controller screen is not what it was"},
		"a note of the first alone, and a changed card": {func(b *bench, at, sound facts.Address) {
			b.call.Definition.Identities[0].Functions = facts.Makes{}
			b.Function(sound).Device = 0x10f9
		}, "controller screen is not what it was"},
		"the sound in use": {func(b *bench, at, sound facts.Address) {
			b.Function(sound).Interfaces = []facts.Interface{{Name: "eth9", Up: true}}
		}, "eth9"},
		"another in its group": {func(b *bench, at, sound facts.Address) {
			group := 81
			b.Function(sound).Group = &group
			b.Function(b.Card(sound, "e1000e")).Address.Bus = 9
		}, "82574L"},
		"the driver of its sound is not known": {func(b *bench, at, sound facts.Address) {
			b.Function(sound).Gaps = []facts.Gap{{Fact: "driver", Path: "/sys/devices/pci0000:00/0000:00:10.0/0000:e0:00.1/driver", Reason: "r"}}
		}, "driver of controller screen is not known"},
		"granted to another": {func(b *bench, at, sound facts.Address) {
			b.call.Granted = []guard.Grant{{Guest: "other", Address: sound}}
		}, "was granted 0000:e0:00.1"},
		"an undo that has the first alone": {func(b *bench, at, sound facts.Address) {
			r, group := b.Whole("screen", at), 81
			b.Function(sound).Group = &group
			b.borrower("films", at)
			b.ordered("films", r)
		}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b, at, sound := wholeBench(t)
			c.change(b, at, sound)
			verdict := guard.Before(b.rules, b.index(), b.call)
			if c.refuses == "" {
				assert.Empty(t, verdict.Refuse)
			} else {
				assert.Contains(t, verdict.Refuse, c.refuses)
			}
			seen := *b.index().Survey
			assert.Equal(t, verdict.Refuse, sameBefore(t, b.rules, &seen, b.call).Refuse, "by the narrow look too")
		})
	}
}

// A whole slot is back when all of it is, and nothing is done to the rest of one that
// is not.
func TestWholeSlotAfterAnEnd(t *testing.T) {
	b, at, sound := wholeBench(t)
	assert.Empty(t, guard.After(b.rules, b.index(), b.call).Wait)
	b.Survey.Functions = slices.DeleteFunc(b.Survey.Functions, func(f facts.Function) bool { return f.Address == sound })
	seen := guard.After(b.rules, b.index(), b.call)
	require.Len(t, seen.Wait, 1)
	next := guard.NextRung(b.index(), seen.Wait[0].Controller, nil)
	assert.Empty(t, next.Rung)
	assert.Contains(t, next.End, "nothing is at 0000:e0:00.1")
	b.Survey.Functions = slices.DeleteFunc(b.Survey.Functions, func(f facts.Function) bool { return f.Address == at })
	next = guard.NextRung(b.index(), seen.Wait[0].Controller, nil)
	assert.Equal(t, guard.Attempt{Rung: guard.Rescan, At: at}, next)
}

func TestRulesTellOfAWholeSlot(t *testing.T) {
	b, _, _ := wholeBench(t)
	assert.Contains(t, b.rules.Sentences(), "screen is lent as a whole, while its functions are 0=10de:2484/1043:8790 1=10de:228b/1043:8790")
	rules := guard.UdevRules(b.rules)
	assert.Contains(t, rules, `KERNELS=="0000:e0:00.0", ATTRS{vendor}=="0x10de", ATTRS{device}=="0x2484"`)
	assert.Contains(t, rules, `KERNELS=="0000:e0:00.1", ATTRS{vendor}=="0x10de", ATTRS{device}=="0x228b"`)
	b.rules.Controllers[0].Identity.Address.Function = 1
	_, err := guard.Decode(b.rules.Encode())
	assert.ErrorContains(t, err, "do not begin with that at 0000:e0:00.1")
}

// A card that has no serial of its own is known by what else it says of itself.
func TestChangedCardAtAStart(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(f *facts.Function)
		refuses string
	}{
		"as it was":                 {func(f *facts.Function) {}, ""},
		"on VFIO":                   {func(f *facts.Function) { f.Driver = "vfio-pci" }, ""},
		"of another maker":          {func(f *facts.Function) { f.SubsystemDevice = 2 }, "has the subsystem 1043:0002, by the rules it had 1043:0001"},
		"of another maker, on VFIO": {func(f *facts.Function) { f.SubsystemDevice, f.Driver = 2, "vfio-pci" }, "has the subsystem 1043:0002"},
		"of another serial number":  {func(f *facts.Function) { f.DeviceSerial = "00-00-00-00-00-00-00-02" }, "has the device serial number 00-00-00-00-00-00-00-02"},
		"without its serial number": {func(f *facts.Function) { f.DeviceSerial = "" }, "has the device serial number none"},
		"of an unknown number": {func(f *facts.Function) {
			f.DeviceSerial, f.Gaps = "", []facts.Gap{{Fact: "device_serial", Path: "config", Reason: "a loop"}}
		}, "the device serial number of controller card could not be read: config: a loop"},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{Builder: invented.NewBuilder(), shelf: &facts.Volume{}}
			at := b.Card(b.NVMe("RL-4410-0073"), "")
			f, group := b.Function(at), 70
			f.Group, f.SubsystemVendor, f.SubsystemDevice, f.DeviceSerial = &group, 0x1043, 1, "00-00-00-00-00-00-00-01"
			b.Guest("films", "/srv/images/films.qcow2")
			films := invented.Guest("films", "card")
			films.Boots = nil
			layout := invented.Layout([]spec.Controller{{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}, Return: spec.Return{OnFailure: "hold"}}}, []spec.Guest{films})
			b.rules = order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
			b.borrower("films", at)
			c.change(b.Function(at))
			verdict := guard.Before(b.rules, b.index(), b.call)
			if len(b.Function(at).Gaps) == 0 {
				seen := *b.index().Survey
				verdict = sameBefore(t, b.rules, &seen, b.call)
			}
			if c.refuses == "" {
				assert.Empty(t, verdict.Refuse)
			} else {
				assert.Contains(t, verdict.Refuse, c.refuses)
			}
		})
	}
}
