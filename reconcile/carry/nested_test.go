package carry_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
)

func init() { shifts["nested day"], shifts["nested night"] = nestedDay, nestedNight }

// nestedDay is the day shift of a host whose drive has one filesystem mounted in
// another; the layout states the inner one first.
func nestedDay(t *testing.T) (facts.Survey, order.Sealed) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "inner", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Mount("nvme0n1p1", "/srv/shelf/inner")
	b.Guest("grading", "/srv/images/grading.qcow2")
	b.Guest("catalogue", "/srv/shelf/inner/catalogue.qcow2")
	b.Run("catalogue")
	return b.Survey, plan(t, b.Survey, nestedLayout(), "day")
}

func nestedLayout() *spec.Layout {
	layout := larch()
	layout.Controllers[0] = invented.Controller("reel", "RL-4410-0073", "inner", "/srv/shelf/inner", "shelf", "/srv/shelf")
	return layout
}

func nestedNight(t *testing.T) (facts.Survey, order.Sealed) {
	survey, sealed := nestedDay(t)
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(t.Context())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	return r.Planned(), plan(t, r.Planned(), nestedLayout(), "night")
}

func TestNestedMountsInSequence(t *testing.T) {
	_, sealed := nestedDay(t)
	assert.Equal(t, []string{
		"shut down guest catalogue",
		"unmount inner of reel at /srv/shelf/inner",
		"unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel",
	}, does(sealed)[2:])
	_, sealed = nestedNight(t)
	assert.Equal(t, []string{
		"shut down guest grading",
		"take back reel from guest grading",
		"mount shelf of reel at /srv/shelf",
		"mount inner of reel at /srv/shelf/inner",
		"start guest catalogue",
	}, does(sealed))
}
