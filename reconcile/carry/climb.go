package carry

import (
	"context"
	"fmt"
	"strings"
	"time"

	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

func climbs(s step.Step) bool {
	_, ok := s.(step.Climber)
	return ok
}

// climb tries what a step knows besides its deed, one rung after the other,
// each for as long as the step's effect may take to be seen. It tells what was
// done, with times, and why it ended. A rung that never answered is the last one,
// and is the deed's error.
func (c *Carrier) climb(ctx context.Context, s step.Step, climber step.Climber) (words string, deed, err error) {
	var list []string
	for tried := []guard.Rung(nil); ; {
		ix, err := c.look(ctx)
		if err != nil {
			return "", nil, err
		}
		if standing, _ := s.Stands(ix); standing == step.After {
			return strings.Join(list, ", "), nil, nil
		}
		next := climber.Climb(ix, tried)
		if next.Rung == "" {
			return strings.Join(append(list, next.End), ", "), nil, nil
		}
		limit, cancel := c.Clock.Limit(ctx, grace)
		begin := c.Clock.Now()
		deed := climber.Rung(limit, next, c.Ports)
		cancel()
		list = append(list, told(next, c.Clock.Now().Sub(begin), deed))
		if hung(deed) {
			return strings.Join(list, ", "), deed, nil
		}
		tried = append(tried, next.Rung)
		if _, _, err := c.await(ctx, s, step.After, deed); err != nil {
			return "", nil, err
		}
	}
}

func told(next guard.Climbing, took time.Duration, deed error) string {
	if deed != nil {
		return fmt.Sprintf("%s failed after %s: %v", next.Rung, took.Round(time.Millisecond), deed)
	}
	return fmt.Sprintf("%s took %s", next.Rung, took.Round(time.Millisecond))
}
