package carry_test

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
)

func init() { shifts["giving up"] = givingUp }

// givingUp has the system of grading go back from its drive to an image, from which
// the guest starts, while catalogue lives on the shelf of the same drive.
func givingUp(t *testing.T) (facts.Survey, order.Sealed) {
	survey, layout := givingUpFrom()
	return survey, plan(t, survey, layout, "night")
}

func givingUpFrom() (facts.Survey, *spec.Layout) {
	b := invented.Builder{Survey: atNight()}
	b.Look("nvme0n1")
	b.Room("/srv/images/back.qcow2", 1<<40)
	layout := larch()
	layout.Guests[0] = invented.Guest("grading")
	layout.Guests[0].Disks = []spec.Disk{invented.Back("reel", "/srv/images/back.qcow2")}
	layout.Shifts[1].Guests = append(layout.Shifts[1].Guests, spec.Ref{Name: "grading"})
	return b.Survey, layout
}

func TestGivingUp(t *testing.T) {
	survey, sealed := givingUp(t)
	list := does(sealed)
	copies := slices.Index(list, "copy the system on the drive of reel (RL-4410-0073) to the new image /srv/images/back.qcow2 and read it back")
	require.GreaterOrEqual(t, copies, 0, list)
	assert.Greater(t, slices.Index(list, "start guest grading"), copies)
	assert.NotContains(t, list, "shut down guest catalogue")
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	assert.True(t, report.Good())
	_, layout := givingUpFrom()
	assert.Empty(t, does(plan(t, r.Planned(), layout, "night")), "the image is there now")
}
