package main

import (
	"context"
	"slices"
	"strings"
	"sync"

	"lendkeep/providers/agent"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// askedGuests asks running guests about their systems. An order looks at its host many
// times, and a guest is not asked each time: what it said is kept while it runs on
// without a change, until a person says that something in a guest was done, or takes
// that back. That alone is judged by a later look; every order and every plan begins
// with none kept.
type askedGuests struct {
	channel  agent.Channel // nil: there is none, and nobody is asked
	progress *progress

	mu   sync.Mutex
	kept []keptAnswer
}

// keptAnswer is what a guest said, and the definition that was in force then; libvirt
// numbers each start of a guest in it.
type keptAnswer struct {
	said facts.Installed
	live string
}

// ask adds to a survey what guests say that run from one of these images. Of an image
// that several run with, nobody knows which of them is meant.
func (a *askedGuests) ask(ctx context.Context, survey *facts.Survey, images []facts.StatedImage) {
	if a.channel == nil {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	var kept []keptAnswer
	for _, g := range runningFrom(survey, images) {
		answer := keptAnswer{live: liveOf(g)}
		at := slices.IndexFunc(a.kept, func(k keptAnswer) bool { return k.said.Guest == g.Name && k.live == answer.live })
		switch {
		case at >= 0:
			answer.said = a.kept[at].said
		case g.Condition != "running":
			answer.said = facts.Installed{Guest: g.Name, Gap: "no agent: the guest is " + g.Condition}
		default:
			a.progress.awaited("asking guest "+g.Name+" about its system", 0)
			answer.said = agent.Installed(ctx, a.channel, g.Name)
		}
		kept = append(kept, answer)
		survey.Asked = append(survey.Asked, answer.said)
	}
	a.kept = kept
}

func liveOf(g *facts.Guest) string {
	if g.Live == nil {
		return ""
	}
	return g.Live.XML
}

// runningFrom gives the guests that run alone with an image, by name.
func runningFrom(survey *facts.Survey, images []facts.StatedImage) []*facts.Guest {
	ix := facts.NewIndex(survey)
	var list []*facts.Guest
	for _, image := range images {
		var runs []*facts.Guest
		for i := range survey.Libvirt.Guests {
			if g := &survey.Libvirt.Guests[i]; g.Running && ix.Has(g, image.Path) {
				runs = append(runs, g)
			}
		}
		if len(runs) == 1 && !slices.Contains(list, runs[0]) {
			list = append(list, runs[0])
		}
	}
	slices.SortFunc(list, func(a, b *facts.Guest) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// forget has every guest asked again.
func (a *askedGuests) forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.kept = nil
}

// askingAfter is a person after whose word guests are asked again.
type askingAfter struct {
	step.Person
	guests *askedGuests
}

// Confirm implements step.Person.
func (p askingAfter) Confirm(ctx context.Context, s *step.ByHand) error {
	defer p.guests.forget()
	return p.Person.Confirm(ctx, s)
}

// Forget implements step.Person.
func (p askingAfter) Forget(ctx context.Context, s *step.ByHand) error {
	defer p.guests.forget()
	return p.Person.Forget(ctx, s)
}
