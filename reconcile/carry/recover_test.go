package carry_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
)

// stubborn gives how the night shift of a stubborn host ends.
func stubborn(t *testing.T, until guard.Rung) carry.Report {
	survey, sealed := night(t)
	host := memory.New(survey, nil)
	host.Expect(facts.Address{Bus: 1}, "shelf", "xfs")
	host.Stubborn(facts.Address{Bus: 1}, until)
	c := carry.Carrier{Ports: host.Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{sealed.Order.SurveyedAt}}
	approval, err := order.Approve(sealed, sealed.Code())
	require.NoError(t, err)
	report, err := c.Out(context.Background(), approval)
	require.NoError(t, err)
	return report
}

// An order climbs the same ladder as the guard does for a controller that does
// not come home.
func TestOrderClimbs(t *testing.T) {
	for _, until := range []guard.Rung{guard.Probe, guard.Reset, guard.Rescan} {
		report := stubborn(t, until)
		require.Equal(t, carry.Carried, report.Ended, report.Note)
		assert.Equal(t, carry.Done, report.Steps[1].Result)
		assert.Contains(t, report.Steps[1].Note, string(until)+" took ")
		assert.Contains(t, report.Steps[1].Note, "; reel is home")
	}
	report := stubborn(t, memory.Never)
	assert.Equal(t, carry.Stuck, report.Ended, "without its controller its guest cannot be started again")
	assert.Contains(t, report.Note, "rescan took 0s, nothing else is left to try; it needs a power cycle")
}

// Every call of such a way home can go wrong as well. Where a rung was not done
// the controller is not home, so that its guest cannot be started again: a person
// is told.
func TestEveryFaultOfTheLadderEndsWell(t *testing.T) {
	survey, _ := day(t)
	layout := larch()
	layout.Controllers[0].Return.Within = time.Second // few looks
	shift := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: plan(t, survey, layout, "day")}
	_, err := shift.Run(t.Context())
	require.NoError(t, err)
	survey = shift.Planned()

	r := rehearse.Rehearsal{Survey: survey, Sealed: plan(t, survey, layout, "night"), Host: func(survey facts.Survey, judge rehearse.Judge) rehearse.Host {
		h := memory.Rehearse(survey, judge)
		h.(interface {
			Stubborn(facts.Address, guard.Rung)
		}).Stubborn(facts.Address{Bus: 1}, guard.Rescan)
		return h
	}}
	report, err := r.Run(t.Context())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	rungs, well := map[string]bool{}, 0
	for _, c := range report.Cases {
		rungs[c.Call] = true
		if c.Good {
			well++
			continue
		}
		assert.Equal(t, carry.Stuck, c.Ended, "%+v", c)
		assert.Contains(t, c.Why, "lend reel: it is gone, not home", "%+v", c)
	}
	assert.Greater(t, well, 100)
	for _, rung := range []string{"probe", "reset", "rescan"} {
		assert.Contains(t, rungs, rung+" 0000:01:00.0")
	}
}
