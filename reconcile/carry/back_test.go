package carry_test

import (
	"context"
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/journal"
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

// used is a drive from which Windows ran, and left its volume in use.
type used struct{ *memory.Host }

func (used) UndoStartAtBoot(context.Context, facts.Drive, string) error {
	return errors.New("its volume is dirty")
}

// A guest that ran keeps nobody from going back further: its driver stays as it is.
func TestRollbackPastAGuestThatRan(t *testing.T) {
	survey, layout := movingFrom()
	b := invented.Builder{Survey: survey}
	image := *b.System("/srv/images/grading.qcow2")
	drive := *b.Look("nvme0n1")
	drive.Blank, drive.Table, drive.Volumes = false, image.Table, image.Volumes
	drive.System = invented.Installed("windows", map[facts.Matter]facts.Held{facts.AsksDriver: facts.Absent})
	b.Survey.Contents = []facts.Content{drive, image}
	sealed := plan(t, b.Survey, layout, "day")
	at := slices.Index(does(sealed), "let the NVMe driver of guest grading start at boot, on the drive of reel (RL-4410-0073)")
	require.Positive(t, at, does(sealed))
	approval, err := order.Approve(sealed, sealed.Code(), "RL-4410-0073")
	require.NoError(t, err)
	host := memory.New(b.Survey, nil)
	c := carry.Carrier{Ports: host.Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{}}
	c.Ports.Starters = used{host}
	report := outAndBack(t, &c, approval)
	assert.Equal(t, carry.AskedFor, report.Note)
	assert.Equal(t, carry.NotDone, report.Steps[at].Result)
	assert.Contains(t, report.Steps[at].Note, "it stays as it is: its volume is dirty")
	assert.Equal(t, carry.Undone, report.Steps[0].Result)
}
