package carry_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
)

// FuzzFold: whatever can be folded can be asked, and its events alone tell the
// same end.
func FuzzFold(f *testing.F) {
	survey := atNight()
	sealed := plan(f, survey, larch(), "day")
	approval, err := order.Approve(sealed, sealed.Code())
	require.NoError(f, err)
	disk := &fault.Disk{Fault: &fault.Fault{}}
	c := carry.Carrier{Ports: memory.New(survey, nil).Ports(), Journal: journal.New(disk), Clock: &ticking{sealed.Order.SurveyedAt}, Sequence: 7}
	report, err := c.Out(f.Context(), approval)
	require.NoError(f, err)
	require.Equal(f, 7, report.Sequence)
	_, err = c.Rollback(f.Context(), report)
	require.NoError(f, err)
	records, _, err := journal.Read(disk.Killed())
	require.NoError(f, err)
	f.Add(bytes.Join(records, []byte("\n")))
	f.Add(bytes.Join(records[:3], []byte("\n")))
	f.Add([]byte(`{"at":"2026-11-25T06:00:00Z","event":"end","result":"carried out"}`))
	f.Fuzz(func(t *testing.T, lines []byte) {
		records := bytes.Split(lines, []byte("\n"))
		outline, err := carry.Outlined(records)
		report, foldErr := carry.Fold(records)
		if err != nil {
			require.Error(t, foldErr)
			return
		}
		if foldErr != nil {
			return
		}
		require.Equal(t, outline, report.Outline)
		for n := range report.Steps {
			require.NotEmpty(t, report.Sealed.Order.Steps[n].Step.About().Does)
		}
	})
}
