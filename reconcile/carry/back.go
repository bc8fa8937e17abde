package carry

import (
	"context"
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// turn begins to roll back. Its context must have no end: an interrupt must not
// leave a host half changed.
func (c *Carrier) turn(ctx context.Context, why string) (Report, error) {
	if err := c.note(Record{Event: Rollback, Note: why}); err != nil {
		return c.report, err
	}
	return c.backward(ctx)
}

// backward undoes every step that may be in force, the last first. The first
// that cannot be undone ends it, since what came before may depend on it, but for
// what may stay.
func (c *Carrier) backward(ctx context.Context) (Report, error) {
	why := c.report.Note
	for i := range c.steps() {
		n := len(c.steps()) - 1 - i
		if c.faults.forwardUndo {
			n = i
		}
		if !c.report.Steps[n].touched() {
			continue
		}
		stuck, err := c.undo(ctx, n)
		if err != nil {
			return c.report, err
		}
		if stuck != "" && c.report.Steps[n].About.MayStay {
			if err := c.note(Record{Event: Outcome, Step: n + 1, Undo: true, Result: NotDone, Note: "it stays as it is: " + stuck}); err != nil {
				return c.report, err
			}
			continue
		}
		if stuck != "" {
			err := c.note(Record{Event: End, Result: Stuck, Note: fmt.Sprintf("step %d could not be undone (%s): %s; %s", n+1, c.report.Steps[n].About.Undoes, stuck, why)})
			return c.report, err
		}
	}
	if len(c.report.Hung) > 0 {
		n := c.report.Hung[len(c.report.Hung)-1]
		err := c.note(Record{Event: End, Result: Stuck, Note: fmt.Sprintf("everything was undone, but step %d (%s) never answered and may still take effect; %s", n, c.report.Steps[n-1].About.Does, why)})
		return c.report, err
	}
	err := c.note(Record{Event: End, Result: Restored, Note: why})
	return c.report, err
}

// undo undoes one step. A reason why a person is needed is no error: errors
// are of the journal and of the host that cannot be read.
func (c *Carrier) undo(ctx context.Context, n int) (stuck string, err error) {
	s := c.steps()[n].Step
	report := c.report.Steps[n]
	begun := report.Intent || report.Result == Unknown || report.Undo
	ix, err := c.steady(ctx, s, begun)
	if err != nil {
		return "", err
	}
	standing, seen := s.Stands(ix)
	switch {
	case standing == step.Before || report.About.Undoes == "" || report.About.Covered:
		return "", c.note(Record{Event: Outcome, Step: n + 1, Undo: true, Result: Undone, Note: seen})
	case standing == step.Neither && !begun:
		return "somebody has changed it since: " + seen, nil
	}
	if !c.faults.unguardedUndo {
		against, err := c.mayUndo(ctx, s, ix)
		switch {
		case err != nil:
			return "", err
		case against != nil:
			return against.Error(), nil
		}
	}
	if err := c.note(Record{Event: Intent, Step: n + 1, Undo: true}); err != nil {
		return "", err
	}
	return c.judgeUndo(ctx, n, c.limited(ctx, ctx, s, s.Undo))
}

// mayUndo asks what speaks against undoing a step, for as long as its effects
// may take to be seen: a controller that an earlier undo has just brought back
// shows its partitions a while later.
func (c *Carrier) mayUndo(ctx context.Context, s step.Step, ix *facts.Index) (against, err error) {
	for end := c.Clock.Now().Add(s.About().Within); ; c.Clock.Wait(ctx, pause) {
		against = s.MayUndo(ix)
		if against == nil || !c.Clock.Now().Before(end) {
			return against, nil
		}
		if ix, err = c.look(ctx); err != nil {
			return nil, err
		}
	}
}

func (c *Carrier) judgeUndo(ctx context.Context, n int, deed error) (stuck string, err error) {
	standing, seen, err := c.await(ctx, c.steps()[n].Step, step.Before, deed)
	if err != nil {
		return "", err
	}
	note := seen
	if deed != nil {
		note = deed.Error() + "; " + seen
	}
	if standing == step.Before {
		return "", c.note(Record{Event: Outcome, Step: n + 1, Undo: true, Result: Undone, Note: note})
	}
	return note, c.note(Record{Event: Outcome, Step: n + 1, Undo: true, Result: NotDone, Note: note})
}
