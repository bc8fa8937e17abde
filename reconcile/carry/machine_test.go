package carry_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
)

// Drives are moved and copied between hosts, so serials do not say which host an
// order, or a journal, is of.
func TestOrdersStayOnTheirMachine(t *testing.T) {
	survey, sealed := day(t)
	approval, err := order.Approve(sealed, sealed.Code())
	require.NoError(t, err)
	survey.Machine.ID = "0acef3a8d21a99ac1c7121935146acb9"
	host := memory.New(survey, nil)
	before, err := host.Survey(t.Context())
	require.NoError(t, err)
	disk := &fault.Disk{Fault: &fault.Fault{}}
	c := carry.Carrier{Ports: host.Ports(), Journal: journal.New(disk), Clock: &ticking{sealed.Order.SurveyedAt}}

	_, err = c.Out(t.Context(), approval)
	require.ErrorIs(t, err, carry.ErrOtherMachine)
	survey.Machine.ID = ""
	own := carry.Carrier{Ports: memory.New(survey, nil).Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: c.Clock}
	report, err := own.Out(t.Context(), approval)
	require.NoError(t, err)
	_, err = c.Resume(t.Context(), report)
	require.ErrorIs(t, err, carry.ErrOtherMachine)
	_, err = c.Rollback(t.Context(), report)
	require.ErrorIs(t, err, carry.ErrOtherMachine)

	after, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
	assert.Empty(t, disk.Killed())
}
