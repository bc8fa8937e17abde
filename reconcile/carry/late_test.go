package carry_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"

	"lendkeep/reconcile/fault"
)

// late shows a host whose partitions are not there for the first looks after
// their controller has come home, as the kernel scans them later.
type late struct {
	inner step.Surveyor
	away  bool
	hide  int
}

// Survey implements step.Surveyor.
func (l *late) Survey(ctx context.Context) (facts.Survey, error) {
	survey, err := l.inner.Survey(ctx)
	home := slices.ContainsFunc(survey.Functions, func(f facts.Function) bool { return f.NVMe != nil && f.NVMe.Serial == "RL-4410-0073" })
	switch {
	case !home:
		l.away, l.hide = true, 4
	case l.away && l.hide > 0:
		l.hide--
		survey.Blocks = slices.DeleteFunc(survey.Blocks, func(b facts.Block) bool { return b.Whole != "" && b.Controller != nil && b.Controller.Bus == 1 })
	}
	return survey, err
}

type ticking struct{ now time.Time }

func (c *ticking) Now() time.Time                          { return c.now }
func (c *ticking) Wait(_ context.Context, d time.Duration) { c.now = c.now.Add(d) }
func (c *ticking) Limit(ctx context.Context, _ time.Duration) (context.Context, context.CancelFunc) {
	return ctx, func() {}
}

// hostFor is a host on which returned controllers have what an order mounts.
func hostFor(survey facts.Survey, sealed order.Sealed) *memory.Host {
	host := memory.New(survey, nil)
	for _, w := range sealed.Order.Steps {
		if m, ok := w.Step.(*step.Mount); ok {
			host.Expect(m.Controller.Address, m.Partition, m.FSType)
		}
	}
	return host
}

// outAndBack carries an order out and rolls it back, and gives the report.
func outAndBack(t *testing.T, c *carry.Carrier, approval order.Approval) carry.Report {
	t.Helper()
	report, err := c.Out(t.Context(), approval)
	require.NoError(t, err)
	require.Equal(t, carry.Carried, report.Ended, report.Note)
	report, err = c.Rollback(t.Context(), report)
	require.NoError(t, err)
	assert.Equal(t, carry.Restored, report.Ended, report.Note)
	return report
}

// Mounting after a return, and mounting again when a lend is undone, wait for
// partitions that appear late.
func TestPartitionsThatAppearLate(t *testing.T) {
	for name, shift := range shifts {
		t.Run(name, func(t *testing.T) {
			survey, sealed := shift(t)
			host := hostFor(survey, sealed)
			ports := host.Ports()
			ports.Survey = &late{inner: ports.Survey}
			disk := &fault.Disk{Fault: &fault.Fault{}}
			c := carry.Carrier{Ports: ports, Journal: journal.New(disk), Clock: &ticking{sealed.Order.SurveyedAt}}
			approval, err := order.Approve(sealed, sealed.Code(), sealed.Order.Erases()...)
			require.NoError(t, err)
			outAndBack(t, &c, approval)
		})
	}
}

// interrupted is a host whose person gives up in the middle of a copy.
type interrupted struct {
	step.Drives
	give context.CancelFunc
}

// Copy implements step.Drives: it comes back once it is interrupted.
func (i interrupted) Copy(ctx context.Context, from facts.Source, d facts.Drive, keep string) error {
	i.give()
	<-ctx.Done()
	return ctx.Err()
}

// Any other step is waited for; a copy ends at once, and everything is undone.
func TestInterruptedCopy(t *testing.T) {
	survey, layout := movingFrom()
	sealed := plan(t, survey, layout, "night")
	host := memory.New(survey, nil)
	ctx, give := context.WithCancel(context.Background())
	ports := host.Ports()
	ports.Drives = interrupted{ports.Drives, give}
	c := carry.Carrier{Ports: ports, Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{sealed.Order.SurveyedAt}}
	approval, err := order.Approve(sealed, sealed.Code(), sealed.Order.Erases()...)
	require.NoError(t, err)
	report, err := c.Out(ctx, approval)
	require.NoError(t, err)
	assert.Equal(t, carry.Restored, report.Ended, report.Note)
	assert.Contains(t, report.Note, "context canceled")
	after, err := host.Survey(context.Background())
	require.NoError(t, err)
	assert.Empty(t, facts.Differences(survey.Answered(), after))
}

// slow is a libvirt whose guests take as long to shut down as they may.
type slow struct {
	step.Guests
	stopped []string
}

// Stop implements step.Guests.
func (s *slow) Stop(ctx context.Context, name string, within time.Duration) error {
	if end, limited := ctx.Deadline(); limited && time.Until(end) < within {
		return context.DeadlineExceeded
	}
	s.stopped = append(s.stopped, name)
	return s.Guests.Stop(ctx, name, within)
}

// timing limits deeds by the time of day.
type timing struct{ *ticking }

// Limit implements carry.Clock.
func (timing) Limit(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d)
}

// A guest has all of the time that its layout gives it to shut down, when an order does
// that and when it is undone.
func TestGuestsThatShutDownSlowly(t *testing.T) {
	survey, sealed := wholeSlot(t)
	for _, w := range sealed.Order.Steps {
		switch s := w.Step.(type) {
		case *step.StopGuest:
			s.Limit = time.Hour
		case *step.StartGuest:
			s.Limit = time.Hour
		}
	}
	sealed, err := order.Seal(sealed.Order)
	require.NoError(t, err)
	ports := hostFor(survey, sealed).Ports()
	guests := &slow{Guests: ports.Guests}
	ports.Guests = guests
	c := carry.Carrier{Ports: ports, Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: timing{&ticking{sealed.Order.SurveyedAt}}}
	approval, err := order.Approve(sealed, sealed.Code(), sealed.Order.Erases()...)
	require.NoError(t, err)
	outAndBack(t, &c, approval)
	assert.Equal(t, []string{"prints", "films"}, guests.stopped)
}
