package guard

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

// Recovery does one rung to a function, as the kernel offers it. A nil error
// says that the kernel took the order, not that it helped.
type Recovery interface {
	Recover(ctx context.Context, at facts.Address, by Rung) error
}

// Ladder is how far the way back of one controller has come: an order, the
// guard and the host in memory climb the same.
type Ladder struct {
	Told  []string // what was done, in words, with times
	tried []Attempt
}

// Next chooses the next rung for the controller; see NextRung.
func (l *Ladder) Next(ix *facts.Index, of facts.Identity) Attempt { return NextRung(ix, of, l.tried) }

// Do does it, and notes what came of it and how long that took by a clock.
func (l *Ladder) Do(ctx context.Context, by Recovery, next Attempt, now func() time.Time) error {
	begin := now()
	err := by.Recover(ctx, next.At, next.Rung)
	took := now().Sub(begin).Round(time.Millisecond)
	told := fmt.Sprintf("%s took %s", next.Rung, took)
	if err != nil {
		told = fmt.Sprintf("%s failed after %s: %v", next.Rung, took, err)
	}
	l.Told, l.tried = append(l.Told, told), append(l.tried, next)
	return err
}

// Last is the last rung that was tried; empty where none was.
func (l *Ladder) Last() Rung {
	if len(l.tried) == 0 {
		return ""
	}
	return l.tried[len(l.tried)-1].Rung
}
