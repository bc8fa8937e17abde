package order_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// guarded plans for larch with a guard of some sort and gives the step that
// changes it, if there is one.
func guarded(t *testing.T, change func(*invented.Builder, *spec.Layout)) (*step.InstallGuard, order.Order) {
	b, layout := larch()
	if change != nil {
		change(b, layout)
	}
	o := plan(t, b, layout, "day")
	for _, w := range o.Steps {
		if s, ok := w.Step.(*step.InstallGuard); ok {
			return s, o
		}
	}
	return nil, o
}

func TestGuardIsBroughtInLine(t *testing.T) {
	first, _ := guarded(t, nil)
	require.NotNil(t, first)
	current := func(b *invented.Builder, _ *spec.Layout) {
		b.Survey.Guard.GuardFiles = first.Files()
	}
	for name, c := range map[string]struct {
		change func(*invented.Builder, *spec.Layout)
		does   string // empty: nothing
		undoes string
	}{
		"not there yet": {nil, "install the guard of every start", "remove the guard again"},
		"current":       {current, "", ""},
		"current, but it has learnt nothing yet": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			rules, err := guard.Decode(first.Files().Rules)
			require.NoError(t, err)
			rules.Controllers[0].Model, rules.Controllers[0].SizeBytes = "", 0
			rules.Controllers[0].Keeps[0].ID = ""
			b.Survey.Guard.Rules, b.Survey.Guard.Udev = rules.Encode(), guard.UdevRules(rules)
			require.NotEqual(t, first.Files().Udev, b.Survey.Guard.Udev)
		}, "", ""},
		"current, and a partition of the drive not known yet": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			b.Block("nvme0n1p2").Partition.ID = ""
		}, "", ""},
		"current, and a partition made anew": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			b.Block("nvme0n1p2").Partition.ID = "00000000-0000-4000-8000-00000000000f"
		}, "renew the guard of every start", "give the guard its old rules back"},
		"another layout": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			l.Controllers[0].Return.OnFailure = "alarm"
		}, "renew the guard of every start", "give the guard its old rules back"},
		"damaged rules": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			b.Survey.Guard.Rules = "{\n"
		}, "renew the guard of every start", "give the guard its old rules back"},
		"an older hook": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			b.Survey.Guard.Hook = "#!/bin/sh\n" + facts.GuardMark + "\n"
		}, "renew the guard of every start", "give the guard its old rules back"},
		"udev's rules are gone": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			b.Survey.Guard.Udev = ""
		}, "renew the guard of every start", "give the guard its old rules back"},
		"nothing is lent any more": {func(b *invented.Builder, l *spec.Layout) {
			current(b, l)
			l.Guests[0].Borrows, l.Guests[0].Boots = nil, nil
		}, "remove the guard of starts", "install the guard again as it was"},
		"nothing is lent, and it is not there": {func(b *invented.Builder, l *spec.Layout) {
			l.Guests[0].Borrows, l.Guests[0].Boots = nil, nil
		}, "", ""},
		"the program is missing":   {func(b *invented.Builder, _ *spec.Layout) { b.Survey.Guard.Program = false }, "", ""},
		"another hook of its name": {func(b *invented.Builder, _ *spec.Layout) { b.Survey.Guard.Hook = "#!/bin/sh\n" }, "", ""},
		"it could not be read": {func(b *invented.Builder, _ *spec.Layout) {
			b.Survey.Guard.Gaps = []facts.Gap{{Fact: "guard.rules", Path: facts.GuardRules, Reason: "permission denied"}}
		}, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			s, _ := guarded(t, c.change)
			if c.does == "" {
				assert.Nil(t, s)
				return
			}
			require.NotNil(t, s)
			assert.Equal(t, c.does, s.About().Does)
			assert.Equal(t, c.undoes, s.About().Undoes)
		})
	}
}

// Whatever the sequence of the layout, no guest that borrows starts before its
// guard is there.
func TestGuardComesBeforeStarts(t *testing.T) {
	_, o := guarded(t, nil)
	list := does(o)
	assert.Equal(t, installs, list[0])
	start := o.Steps[len(o.Steps)-1].Step.(*step.StartGuest)
	assert.True(t, start.Guarded)
	assert.Contains(t, start.About().Needs, o.Steps[0].Step.About().Gives[0])
	assert.Contains(t, strings.Join(o.Steps[0].Step.(*step.InstallGuard).After.Sentences(), "\n"), "only grading may borrow reel")
}

// An order is bound to what it replaces.
func TestChangedGuardMakesAnOrderStale(t *testing.T) {
	b, layout := larch()
	o := plan(t, b, layout, "day")
	b.Survey.Guard.Hook, b.Survey.Guard.Rules = guard.Script, "{}\n"
	changes, err := o.Changes(facts.NewIndex(&b.Survey))
	require.NoError(t, err)
	var told []string
	for _, change := range changes {
		told = append(told, change.String())
	}
	assert.Len(t, told, 2)
	assert.Contains(t, strings.Join(told, "\n"), "rules of guard was none, is sha256 ")
}

// The rules have what a card without a serial says of itself, wherever it is. What it
// does not say at the moment is as it was, unless another kind of card is meant now.
func TestRulesKnowACardByWhatItSays(t *testing.T) {
	b, layout := larch()
	f := b.Function(b.Card(b.Survey.Functions[0].Address, "e1000e"))
	f.SubsystemVendor, f.SubsystemDevice, f.DeviceSerial = 0x1043, 1, "00-00-00-00-00-00-00-01"
	layout.Controllers = append(layout.Controllers, spec.Controller{Name: "card", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}, Return: spec.Return{OnFailure: "hold"}})
	rules := func() guard.Rules {
		return order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	}
	learnt := rules()
	card := learnt.ByName()["card"]
	assert.Equal(t, "1043:0001", card.Subsystem)
	assert.Equal(t, "00-00-00-00-00-00-00-01", card.DeviceSerial)
	assert.Empty(t, learnt.ByName()["reel"].Subsystem+learnt.ByName()["reel"].DeviceSerial, "it has a serial")

	less := rules()
	less.ByName()["card"].DeviceSerial = ""
	_, current := guard.Current(less.Encode(), learnt)
	assert.False(t, current, "another card of its kind would be lent")

	b.Survey.Guard.Rules = learnt.Encode()
	f.SubsystemVendor, f.SubsystemDevice, f.DeviceSerial = 0, 0, ""
	assert.Empty(t, rules().ByName()["card"].DeviceSerial, "it says that it has none")
	f.Gaps = []facts.Gap{{Fact: "device_serial"}, {Fact: "subsystem_device"}}
	assert.Equal(t, card, rules().ByName()["card"])
	f.Device, layout.Controllers[1].PCI.Device = 0x1521, 0x1521
	assert.Empty(t, rules().ByName()["card"].DeviceSerial, "that was of another kind")
}
