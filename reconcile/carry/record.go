package carry

import (
	"errors"
	"fmt"
	"time"

	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/strict"
)

// Event is what a journal record tells.
type Event string

// The events of an order, in the sequence in which they happen.
const (
	Taken    Event = "order"    // the order was taken on; the record holds its file
	Intent   Event = "intent"   // a deed is about to be done
	Outcome  Event = "outcome"  // what came of it
	Rollback Event = "rollback" // from here on everything is undone
	Resume   Event = "resume"   // a later run goes on
	End      Event = "end"
)

// Result is what came of a deed, or of the whole order.
type Result string

// Results of deeds, then of orders.
const (
	Done     Result = "done"
	NotDone  Result = "not done"
	Unknown  Result = "unknown"
	Skipped  Result = "skipped" // it was so already, by nobody's deed of this order
	Undone   Result = "undone"
	Carried  Result = "carried out"
	Restored Result = "rolled back"
	Stuck    Result = "stuck" // a person is needed
)

// Record is one line of the journal of an order.
type Record struct {
	At     time.Time `json:"at"` // UTC, whole seconds
	Event  Event     `json:"event"`
	Step   int       `json:"step,omitempty"` // from 1
	Undo   bool      `json:"undo,omitempty"`
	Result Result    `json:"result,omitempty"`
	Silent bool      `json:"silent,omitempty"` // the deed never answered, so it may still take effect
	Note   string    `json:"note,omitempty"`
	Order  string    `json:"order,omitempty"` // the order file, with Taken
}

// Report is what the records of a journal come to. It is a fold over them, so
// that what is shown while an order runs and what is read after a crash cannot
// disagree.
type Report struct {
	Sealed  order.Sealed
	Steps   []StepReport // one for each step of the order
	Back    bool         // rolling back has begun
	Ended   Result       // empty: it has not ended
	Note    string       // what the last record that ended or turned it said
	Started time.Time
	Last    time.Time
	Hung    []int // steps that never answered, from 1
}

// StepReport is how far one step has come.
type StepReport struct {
	About  step.About
	Intent bool   // a deed was begun and its outcome is not recorded
	Undo   bool   // that deed is the undoing
	Result Result // last recorded outcome; empty: not begun
	Note   string
}

// Fold reads the records of a journal.
func Fold(records [][]byte) (Report, error) {
	var report Report
	for n, content := range records {
		var r Record
		if err := strict.Read(content, 2*order.MaxBytes, &r); err != nil {
			return Report{}, fmt.Errorf("read journal record %d: %w", n+1, err)
		}
		if err := report.add(r); err != nil {
			return Report{}, fmt.Errorf("read journal record %d: %w", n+1, err)
		}
	}
	if report.Steps == nil {
		return Report{}, errors.New("read journal: it holds no order; nothing of it was begun")
	}
	return report, nil
}

func (p *Report) add(r Record) error {
	p.Last = r.At
	if r.Event == Taken {
		return p.take(r)
	}
	if p.Steps == nil {
		return fmt.Errorf("%s comes before the order", r.Event)
	}
	switch r.Event {
	case Rollback:
		p.Back, p.Ended, p.Note = true, "", r.Note
	case Resume:
		p.Ended = ""
	case End:
		p.Ended, p.Note = r.Result, r.Note
	case Intent, Outcome:
		if r.Step < 1 || r.Step > len(p.Steps) {
			return fmt.Errorf("the order has no step %d", r.Step)
		}
		p.addStep(&p.Steps[r.Step-1], r)
	default:
		return fmt.Errorf("unknown event %q", r.Event)
	}
	return nil
}

func (p *Report) take(r Record) error {
	if p.Steps != nil {
		return errors.New("a second order")
	}
	sealed, err := order.Open([]byte(r.Order))
	if err != nil {
		return err
	}
	p.Sealed, p.Started = sealed, r.At
	p.Steps = make([]StepReport, len(sealed.Order.Steps))
	for n, w := range sealed.Order.Steps {
		p.Steps[n].About = w.Step.About()
	}
	return nil
}

func (p *Report) addStep(s *StepReport, r Record) {
	s.Intent, s.Undo, s.Note = r.Event == Intent, r.Undo, r.Note
	if r.Event == Outcome {
		s.Result = r.Result
		if r.Silent {
			p.Hung = append(p.Hung, r.Step)
		}
	}
}

// touched tells whether anything of the step may be in force.
func (s StepReport) touched() bool {
	return s.Intent || s.Result == Done || s.Result == Unknown || s.Undo && s.Result == NotDone
}
