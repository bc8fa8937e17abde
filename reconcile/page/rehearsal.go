package page

import (
	"time"

	"lendkeep/reconcile/again"
	"lendkeep/spec/plain"
)

// Rehearsal is what a rehearsal of an order on a twin found.
type Rehearsal struct {
	Code, Shift string
	Good        bool
	Sentence    string // how it ended
	Parts       []RehearsalPart
	Lists       []again.List // what is not as it was to be, or was not tried
	Kept        string       // how many functions have their addresses on the twin
	Moved       []again.Moved
	Unlike      []string
}

// RehearsalPart are stages, or trials.
type RehearsalPart struct {
	Head     string
	Outcomes []Outcome
}

// Outcome is what came of one.
type Outcome struct {
	Name, Said, Took string
	Differs          bool
}

func rehearsalOf(r *again.Report) *Rehearsal {
	if r == nil {
		return nil
	}
	drawn := &Rehearsal{Code: r.Order, Shift: r.Shift, Good: r.AsInMemory(), Sentence: r.Sentence(), Lists: r.Lists(), Moved: r.Moved, Unlike: r.Unlike,
		Kept: plain.Count(r.Functions-len(r.Moved), "function")}
	for _, part := range []struct {
		head string
		list []again.Outcome
	}{{"Stages", r.Stages}, {"Trials", r.Trials}} {
		p := RehearsalPart{Head: part.head}
		for _, o := range part.list {
			p.Outcomes = append(p.Outcomes, Outcome{o.Name, o.Said, round(time.Duration(o.Seconds) * time.Second), o.Differences > 0})
		}
		if len(p.Outcomes) > 0 {
			drawn.Parts = append(drawn.Parts, p)
		}
	}
	return drawn
}
