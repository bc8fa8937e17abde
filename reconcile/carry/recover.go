package carry

import (
	"context"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

// bringBack climbs the ladder for a controller that a step's deed has not brought
// home, each rung for as long as the step's effect may take to be seen. It tells
// what was done, with times, and why it ended. A rung that never answered is the
// last one, and is the deed's error.
func (c *Carrier) bringBack(ctx context.Context, s step.Step, of facts.Identity) (words string, deed, err error) {
	var ladder guard.Ladder
	for {
		ix, err := c.look(ctx)
		if err != nil {
			return "", nil, err
		}
		if standing, _ := s.Stands(ix); standing == step.After {
			return strings.Join(ladder.Told, ", "), nil, nil
		}
		next := ladder.Next(ix, of)
		if next.Rung == "" {
			return strings.Join(append(ladder.Told, next.End), ", "), nil, nil
		}
		limit, cancel := c.Clock.Limit(ctx, grace)
		deed := ladder.Do(limit, c.Ports.Recovery, next, c.Clock.Now)
		cancel()
		if hung(deed) {
			return strings.Join(ladder.Told, ", "), deed, nil
		}
		if _, _, err := c.await(ctx, s, step.After, deed); err != nil {
			return "", nil, err
		}
	}
}
