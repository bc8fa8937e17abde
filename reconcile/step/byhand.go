package step

import (
	"context"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
)

// byHandTakes is for a person who knows their system; common practice.
const byHandTakes = 10 * time.Minute

// ByHand is what only a person can do, inside the guest. They say when it is
// done; the host cannot see it.
type ByHand struct {
	Guest    string   `json:"guest"`
	What     string   `json:"what"`     // a verb phrase of one line
	Tells    []string `json:"tells"`    // how it is done
	Confirms string   `json:"confirms"` // how they see that it is
	Keep     string   `json:"keep"`     // of the order: an answer to an earlier one does not count
}

// Name is what the confirmation is kept under.
func (s *ByHand) Name() string { return s.Keep + ": " + s.What }

// Kind implements Step, as do the methods below.
func (s *ByHand) Kind() string { return "by hand" }

// Does implements Step.
func (s *ByHand) Does() string { return "by hand, in guest " + s.Guest + ": " + s.What }

// Undoes implements Step. Whether the person undoes what they did is theirs to
// decide.
func (s *ByHand) Undoes() string { return "forget that it was confirmed; nothing in the guest changes" }

// Risk implements Step.
func (s *ByHand) Risk() Risk { return Safe }

// Takes implements Step.
func (s *ByHand) Takes() time.Duration { return byHandTakes }

// Longest is how long the question waits for its answer.
func (s *ByHand) Longest() time.Duration { return 24 * time.Hour }

// Within implements Step.
func (s *ByHand) Within() time.Duration { return 0 }

// Needs implements Step.
func (s *ByHand) Needs() []Fact { return nil }

// Gives implements Step.
func (s *ByHand) Gives() []Fact { return []Fact{confirmationIs(s.Name(), "given")} }

// Ready implements Step.
func (s *ByHand) Ready(*facts.Index) error { return nil }

// MayUndo implements Step.
func (s *ByHand) MayUndo(*facts.Index) error { return nil }

// Stands implements Step.
func (s *ByHand) Stands(ix *facts.Index) (Standing, string) {
	if slices.Contains(ix.Survey.Confirmed, s.Name()) {
		return After, "confirmed"
	}
	return Before, "not confirmed"
}

// Do implements Step.
func (s *ByHand) Do(ctx context.Context, p Ports) error { return p.Person.Confirm(ctx, s) }

// Undo implements Step.
func (s *ByHand) Undo(ctx context.Context, p Ports) error { return p.Person.Forget(ctx, s) }

func confirmationIs(name, value string) Fact { return Fact{"confirmation " + name, value} }
