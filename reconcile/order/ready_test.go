package order_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// Whatever a step would refuse on the host as it was surveyed is a finding
// before: no step of an order that is planned refuses for what none before it
// changes.
func TestWhatStepsRefuseIsFoundBefore(t *testing.T) {
	planned, starts := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		unasked, layout := invented.Any(t)
		survey := unasked.Answered()
		ix := facts.NewIndex(&survey)
		c := assess.NewCase(layout, ix, layout.Shift(rapid.SampledFrom([]string{"", "day", "night"}).Draw(t, "planned shift")))
		findings := assess.Assess(c)
		if assess.Stops(findings) {
			return
		}
		o, err := order.Plan(c, findings)
		if err != nil {
			return // it cannot be sequenced, and needs a person
		}
		planned++
		defined := prepared(unasked, o).Answered()
		ix = facts.NewIndex(&defined)
		changed := map[step.Thing]bool{}
		for _, w := range o.Steps {
			if untouched(w.Step, changed) {
				if _, ok := w.Step.(*step.StartGuest); ok {
					starts++
				}
				require.NoError(t, w.Step.Ready(ix), "%s", w.Step.About().Does)
			}
			for _, f := range w.Step.About().Gives {
				changed[f.Of] = true
			}
		}
	})
	t.Logf("%d orders, %d starts asked", planned, starts)
	require.Positive(t, planned) // starts are few; carry's rehearsals ask each where it stands in its order
}

// prepared is a survey with every definition that an order sets and without
// what it unmounts, so that starts can be asked.
func prepared(survey facts.Survey, o order.Order) facts.Survey {
	survey = survey.Unanswered()
	survey.Libvirt.Guests = slices.Clone(survey.Libvirt.Guests)
	for _, w := range o.Steps {
		if s, ok := w.Step.(*step.Unmount); ok {
			survey.Mounts = slices.DeleteFunc(slices.Clone(survey.Mounts), func(m facts.Mount) bool { return m.Path == s.Filesystem.Path })
		}
		s, ok := w.Step.(*step.DefineGuest)
		if !ok {
			continue
		}
		xml, _, err := s.After()
		if err != nil {
			panic(err)
		}
		d, err := definition.Read(xml)
		if err != nil {
			panic(err)
		}
		i := slices.IndexFunc(survey.Libvirt.Guests, func(g facts.Guest) bool { return g.Name == s.Guest })
		if i < 0 {
			i = len(survey.Libvirt.Guests)
			survey.Libvirt.Guests = append(survey.Libvirt.Guests, facts.Guest{Name: s.Guest})
		}
		survey.Libvirt.Guests[i].Kept = &d
	}
	return survey.Answered()
}

// untouched tells whether no earlier step changes anything that a step needs
// but what was prepared.
func untouched(s step.Step, changed map[step.Thing]bool) bool {
	for _, f := range s.About().Needs {
		if changed[f.Of] && f.Of.Kind != "definition" && f.Of.Kind != "guard" && f.Value != "absent" {
			return false
		}
	}
	return true
}
