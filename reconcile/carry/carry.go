// Package carry carries an approved order out: it asks the host before each
// step, notes the intent, does the deed, asks the host again, and undoes
// everything in reverse when something fails. After a crash the journal alone
// is enough to go on or to go back. Start at Carrier.Out.
package carry

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// Journal takes records and confirms them once they are on the disk.
type Journal interface {
	Append(record []byte) error
}

// Clock is the time as the carrier sees it.
type Clock interface {
	Now() time.Time
	// Wait sleeps, or returns early when the context ends.
	Wait(context.Context, time.Duration)
	// Limit gives a context that ends after the duration.
	Limit(context.Context, time.Duration) (context.Context, context.CancelFunc)
}

// Carrier carries out one order at a time.
type Carrier struct {
	Ports   step.Ports
	Journal Journal
	Clock   Clock
	// Sequence is the number of the journal among the host's; 0: it has none.
	Sequence int
	Watch    func(Report, Record) // told of every record; may be nil

	report Report
	faults faults
}

// faults are mistakes that tests plant, to see that the sweeps find them.
type faults struct{ noIntent, believe, forwardUndo, unguardedUndo bool }

// ErrJournal says that the journal can no longer be written, so nothing more
// was done, not even undone.
var ErrJournal = errors.New("the journal cannot be written, so nothing more was done")

// StaleError says which facts changed since the order was written.
type StaleError struct{ Changes []order.Change }

func (e StaleError) Error() string {
	var list []string
	for _, c := range e.Changes {
		list = append(list, c.String())
	}
	return "the host has changed since the order was written: " + strings.Join(list, "; ")
}

// AskedFor is the reason of a rollback that a person asked for.
const AskedFor = "asked for"

// grace is how long after its own limits a deed may take before it counts as
// hung: libvirt and the kernel have limits of their own below this.
const grace = 60 * time.Second

// pause is the time between two looks at the host while an effect is awaited.
const pause = 250 * time.Millisecond

// Out carries an approved order out. Facts that changed since it was written
// are a StaleError, and nothing is touched. When the report says "rolled back"
// the host is as before, but for steps that may stay and say so; "stuck" needs a person.
func (c *Carrier) Out(ctx context.Context, approval order.Approval) (Report, error) {
	sealed := approval.Sealed()
	ix, err := c.here(ctx, sealed.Order)
	if err != nil {
		return Report{}, err
	}
	changes, err := sealed.Order.Changes(ix)
	if err != nil {
		return Report{}, err
	}
	if len(changes) > 0 {
		return Report{}, StaleError{changes}
	}
	if err := c.note(Record{Event: Taken, Sequence: c.Sequence, Order: string(sealed.File())}); err != nil {
		return c.report, err
	}
	return c.forward(ctx)
}

// Resume goes on with an order whose journal did not end: forward, or backward
// when rolling back had begun.
func (c *Carrier) Resume(ctx context.Context, report Report) (Report, error) {
	c.report = report
	if _, err := c.here(ctx, report.Sealed.Order); err != nil {
		return report, err
	}
	if err := c.note(Record{Event: Resume}); err != nil {
		return c.report, err
	}
	if report.Back {
		return c.backward(context.WithoutCancel(ctx))
	}
	return c.forward(ctx)
}

// Rollback undoes an order, ended or not.
func (c *Carrier) Rollback(ctx context.Context, report Report) (Report, error) {
	c.report = report
	if _, err := c.here(context.WithoutCancel(ctx), report.Sealed.Order); err != nil {
		return report, err
	}
	return c.turn(context.WithoutCancel(ctx), AskedFor)
}

// MayGoBack refuses to undo an order after which others were carried out and
// rolled back, unless everything that it has left still stands on the host: else
// FallenError. Nothing is touched.
func (c *Carrier) MayGoBack(ctx context.Context, report Report) error {
	ix, err := c.here(ctx, report.Sealed.Order)
	if err != nil {
		return err
	}
	if list := report.fallen(ix); len(list) > 0 {
		return FallenError{list}
	}
	return nil
}

// FallenError says what an order has left and no longer stands.
type FallenError struct{ Fallen []string }

func (e FallenError) Error() string {
	return "not all that the order has left still stands: " + strings.Join(e.Fallen, "; ")
}

// ErrOtherMachine says that an order was written for another machine: serials
// alone do not tell hosts apart, since drives are moved and copied.
var ErrOtherMachine = errors.New("the order was written on the facts of another machine")

// here looks at the host, and refuses an order of another machine.
func (c *Carrier) here(ctx context.Context, o order.Order) (*facts.Index, error) {
	ix, err := c.look(ctx)
	if err != nil {
		return nil, err
	}
	if now := ix.Survey.Machine; now.ID != o.Machine {
		return nil, fmt.Errorf("%w: host %s, not this one, which is called %s", ErrOtherMachine, o.Host, now.Name)
	}
	return ix, nil
}

func (c *Carrier) note(r Record) error {
	r.At = c.Clock.Now().UTC().Truncate(time.Second)
	content, err := r.encode()
	if err != nil {
		return fmt.Errorf("write journal record: %w", err)
	}
	if err := c.Journal.Append(content); err != nil {
		return fmt.Errorf("%w: %w", ErrJournal, err)
	}
	if err := c.report.add(r); err != nil {
		return err
	}
	if c.Watch != nil {
		c.Watch(c.report, r)
	}
	return nil
}

func (c *Carrier) look(ctx context.Context) (*facts.Index, error) {
	survey, err := c.Ports.Survey.Survey(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the host: %w", err)
	}
	return facts.NewIndex(&survey), nil
}

func (c *Carrier) steps() []step.Written { return c.report.Sealed.Order.Steps }

// forward does every step that is not in force. A step that an earlier run
// has done is done again when the host has lost it since, as after a power cut.
// An interrupt takes effect between two steps, and in those that may take long:
// any other deed that is cut short leaves nobody knowing what it did.
func (c *Carrier) forward(ctx context.Context) (Report, error) {
	whole := context.WithoutCancel(ctx)
	for n := range c.steps() {
		if c.report.superseded(n) {
			continue
		}
		if ctx.Err() != nil {
			return c.turn(whole, "interrupted")
		}
		err := c.do(ctx, n)
		if errors.Is(err, ErrJournal) {
			return c.report, err
		}
		if err != nil {
			return c.turn(whole, fmt.Sprintf("step %d failed: %v", n+1, err))
		}
	}
	err := c.note(Record{Event: End, Result: Carried})
	return c.report, err
}

func (c *Carrier) do(interruptible context.Context, n int) error {
	ctx := context.WithoutCancel(interruptible)
	s := c.steps()[n].Step
	report := c.report.Steps[n]
	hidden := report.Result == Done && c.report.hidden(n)
	ix, err := c.steady(ctx, s, hidden)
	if err != nil {
		return err
	}
	standing, seen := s.Stands(ix)
	if standing == step.After {
		return c.settled(n, seen)
	}
	if standing == step.Neither && hidden {
		return nil
	}
	if standing == step.Neither && !report.Intent && report.About.Recovers == nil {
		return fmt.Errorf("the host is not as the step needs it: %s", seen)
	}
	if err := s.Ready(ix); err != nil {
		return err
	}
	if !c.faults.noIntent {
		if err := c.note(Record{Event: Intent, Step: n + 1}); err != nil {
			return err
		}
	}
	if standing == step.Neither && report.About.Recovers != nil {
		return c.judge(ctx, n, nil) // the deed is none for a host that stands so, the ladder is
	}
	return c.judge(ctx, n, c.limited(ctx, interruptible, s, s.Do))
}

// limited does a deed within its time. A step that may take long comes back once
// it is interrupted or its time is over: nothing of it goes on then.
func (c *Carrier) limited(ctx, interruptible context.Context, s step.Step, deed func(context.Context, step.Ports) error) error {
	about := s.About()
	if about.Longest == 0 {
		limit, cancel := c.Clock.Limit(ctx, max(about.Takes, about.Waits)+about.Within+grace)
		defer cancel()
		return deed(limit, c.Ports)
	}
	limit, cancel := c.Clock.Limit(interruptible, about.Longest)
	defer cancel()
	if err := deed(limit, c.Ports); err != nil {
		return errors.New(err.Error()) // not one of those that never answered
	}
	return nil
}

// settled notes a step that the host has already: done, if it was begun by an
// earlier run, else skipped.
func (c *Carrier) settled(n int, seen string) error {
	report := c.report.Steps[n]
	switch {
	case report.settled():
		return nil
	case report.Intent || report.Result == Unknown:
		return c.note(Record{Event: Outcome, Step: n + 1, Result: Done, Note: seen})
	default:
		return c.note(Record{Event: Outcome, Step: n + 1, Result: Skipped, Note: seen})
	}
}

// judge asks the host what came of a deed; the deed's own answer is only a
// hint.
func (c *Carrier) judge(ctx context.Context, n int, deed error) error {
	s := c.steps()[n].Step
	if c.faults.believe && deed == nil {
		return c.note(Record{Event: Outcome, Step: n + 1, Result: Done})
	}
	standing, seen, err := c.await(ctx, s, step.After, deed)
	if err != nil {
		return err
	}
	if of := s.About().Recovers; of != nil && standing != step.After && !hung(deed) {
		words, last, err := c.bringBack(ctx, s, *of)
		if err != nil {
			return err
		}
		ix, err := c.look(ctx)
		if err != nil {
			return err
		}
		standing, seen = s.Stands(ix)
		seen, deed = words+"; "+seen, errors.Join(deed, last)
	}
	note := seen
	if deed != nil {
		note = deed.Error() + "; " + note
	}
	if standing == step.After {
		return c.note(Record{Event: Outcome, Step: n + 1, Result: Done, Note: note})
	}
	result := NotDone
	if standing == step.Neither || hung(deed) {
		result = Unknown
	}
	if err := c.note(Record{Event: Outcome, Step: n + 1, Result: result, Silent: hung(deed), Note: note}); err != nil {
		return err
	}
	return errors.New(note)
}

// steady looks at the host until it stands on either side of the step: what an
// earlier step set going, such as the return of a controller, may take a while.
// What is hidden, or half done already, may stand on neither for good.
func (c *Carrier) steady(ctx context.Context, s step.Step, neither bool) (*facts.Index, error) {
	end := c.Clock.Now().Add(s.About().Within)
	for {
		ix, err := c.look(ctx)
		if err != nil {
			return nil, err
		}
		standing, _ := s.Stands(ix)
		if standing != step.Neither || neither || !c.Clock.Now().Before(end) {
			return ix, nil
		}
		c.Clock.Wait(ctx, pause)
	}
}

// await looks at the host until it stands where it should, or until the time
// that the effect may take is over. After an error there is nothing to wait
// for, unless the deed may still be going on.
func (c *Carrier) await(ctx context.Context, s step.Step, want step.Standing, deed error) (step.Standing, string, error) {
	end := c.Clock.Now().Add(s.About().Within)
	for {
		ix, err := c.look(ctx)
		if err != nil {
			return step.Neither, "", err
		}
		standing, seen := s.Stands(ix)
		if standing == want || deed != nil && !hung(deed) || !c.Clock.Now().Before(end) {
			return standing, seen, nil
		}
		c.Clock.Wait(ctx, pause)
	}
}

func hung(err error) bool {
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}
