package carry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
)

// Right after an order, of whatever kinds of steps, all that it has left stands,
// and once it is undone no longer.
func TestWhatAnOrderHasLeftStands(t *testing.T) {
	for name, shift := range shifts {
		t.Run(name, func(t *testing.T) {
			survey, sealed := shift(t)
			approval, err := order.Approve(sealed, sealed.Code(), sealed.Order.Erases()...)
			require.NoError(t, err)
			c := carry.Carrier{Ports: hostFor(survey, sealed).Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{sealed.Order.SurveyedAt}}
			report, err := c.Out(t.Context(), approval)
			require.NoError(t, err)
			require.Equal(t, carry.Carried, report.Ended, report.Note)
			require.NoError(t, c.MayGoBack(t.Context(), report))
			carried := report
			carried.Steps = append([]carry.StepReport{}, report.Steps...)
			undone, err := c.Rollback(t.Context(), report)
			require.NoError(t, err)
			if undone.Ended == carry.Restored {
				assert.ErrorAs(t, c.MayGoBack(t.Context(), carried), &carry.FallenError{})
			}
		})
	}
}

// What somebody has changed since is named.
func TestWhatNoLongerStandsIsNamed(t *testing.T) {
	survey, sealed := day(t)
	approval, err := order.Approve(sealed, sealed.Code())
	require.NoError(t, err)
	host := memory.New(survey, nil)
	disk := &fault.Disk{Fault: &fault.Fault{}}
	c := carry.Carrier{Ports: host.Ports(), Journal: journal.New(disk), Clock: &ticking{sealed.Order.SurveyedAt}}
	report, err := c.Out(t.Context(), approval)
	require.NoError(t, err)
	require.NoError(t, host.Ports().Guests.Stop(t.Context(), "grading", time.Minute))
	written := len(disk.Killed())
	assert.EqualError(t, c.MayGoBack(t.Context(), report), "not all that the order has left still stands: step 6 (start guest grading, which borrows reel): grading is shut off")
	assert.Len(t, disk.Killed(), written, "nothing was begun")
}
