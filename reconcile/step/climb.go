package step

import (
	"context"
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// Climber is a step that knows what more to try when the host does not come to
// stand where it should.
type Climber interface {
	// Climb gives the next rung, by those that were tried.
	Climb(ix *facts.Index, tried []guard.Rung) guard.Climbing
	// Rung does it.
	Rung(context.Context, guard.Climbing, Ports) error
}

// Rungs are the deeds of the ladder, mildest first.
type Rungs interface {
	Probe(context.Context, facts.Address) error
	Rebind(context.Context, facts.Address) error
	Reset(context.Context, facts.Address) error
	Rescan(context.Context, facts.Address) error
}

// Climb implements Climber: the way back of a controller has the same ladder
// with an order and without.
func (s *TakeBack) Climb(ix *facts.Index, tried []guard.Rung) guard.Climbing {
	return guard.Climb(ix, s.Controller, tried)
}

// Rung implements Climber.
func (s *TakeBack) Rung(ctx context.Context, next guard.Climbing, p Ports) error {
	switch next.Rung {
	case guard.Probe:
		return p.Rungs.Probe(ctx, next.At)
	case guard.Rebind:
		return p.Rungs.Rebind(ctx, next.At)
	case guard.Reset:
		return p.Rungs.Reset(ctx, next.At)
	case guard.Rescan:
		return p.Rungs.Rescan(ctx, next.At)
	}
	return fmt.Errorf("take back %s: there is no rung %q", s.Controller.Controller, next.Rung)
}
