package explore

import (
	"context"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// When a call of the guard's program is killed, if not after so many mounts or
// unmounts.
const (
	atOnce   = -1 // it does nothing yet
	afterAll = 100
)

// program is the guard's program as libvirt calls it on a host: what cmd/lendkeep-hook
// does in prepare and release, without its waiting. The decisions are the real
// ones.
type program struct {
	rules  guard.Rules
	plant  hole
	killed int // after how many mounts or unmounts it is killed; 0: never, or atOnce, afterAll
}

// hole is a mistake that is planted to see that the exploration finds it.
type hole string

const (
	none      hole = ""
	blind     hole = "the guard sees neither mounts nor what the kernel says of them"
	forgetful hole = "what a start was granted is not considered"
	shared    hole = "two starts are granted one function"
	grantless hole = "a start is granted nothing"
	homeless  hole = "what a guest lives on that is being started may be unmounted"
	hasty     hole = "an order does not ask which starts are under way"
)

// sees gives what the guard reads of a host.
func (k program) sees(h *memory.Host) *facts.Index {
	survey := surveyOf(h)
	survey.Libvirt = facts.Virtualization{}
	if k.plant == blind {
		survey.Mounts = survey.Mounts[:1]
		for i := range survey.Blocks {
			survey.Blocks[i].Exclusive = facts.HeldByNobody
		}
	}
	return facts.NewIndex(&survey)
}

// prepare tells whether a start may go on.
func (k program) prepare(h *memory.Host, call guard.Call) bool {
	verdict := guard.Before(k.rules, k.sees(h), call)
	if verdict.Refuse != "" {
		return false
	}
	for n, path := range verdict.Unmount {
		if h.Unmount(context.Background(), path) != nil || n+1 == k.killed {
			return false
		}
	}
	if len(verdict.Unmount) > 0 {
		verdict = guard.Before(k.rules, k.sees(h), call)
	}
	return verdict.Refuse == "" && len(verdict.Unmount) == 0
}

// release mounts what is back.
func (k program) release(h *memory.Host, call guard.Call) {
	for n, m := range guard.After(k.rules, k.sees(h), call).Mount {
		if h.Mount(context.Background(), m.Device, m.FSType, m.Path, m.Options) != nil || n+1 == k.killed {
			return
		}
	}
}
